package format

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
)

// MaxName is the longest name that SafeName gives, in bytes. File systems take 255, some with an encryption layer 143.
const MaxName = 120

// The marks begin with % and a lower-case letter, which no escape does: escapes have two digits of 0 to 9 and A to F.
const (
	emptyName = "%none"
	cutMark   = "%sha256-" // followed by the first 32 hex digits of the hash of the whole text
)

// SafeName makes any text fit to be one part of a file name (Linux, macOS, Windows), one level of an MQTT topic, or one
// segment of a URL's path. Letters A to Z and a to z, digits, "-", "_" and "." stay; every other byte, and whatever would
// mean something in its place, becomes % with two hex digits (as RFC 3986 section 2.1 has it). So are
//
//	..       → %2E%2E      not a way up
//	CON.txt  → %43ON.txt   not a device of Windows
//	lot 7.   → lot%207%2E  not a name that Windows shortens
//	(empty)  → %none
//
// Two texts never share a name: up to MaxName bytes the escapes can be undone, and a longer one is cut and ends in 128
// bits of the SHA-256 of the text. Upper and lower case stay apart here, but not on every file system.
func SafeName(text string) string {
	if text == "" {
		return emptyName
	}
	name := escape(text)
	if len(name) <= MaxName {
		return name
	}
	hash := sha256.Sum256([]byte(text))
	tail := cutMark + hex.EncodeToString(hash[:16])
	return cutName(name, MaxName-len(tail)) + tail
}

// SafeID is SafeName for an entry's id: its parts, which are names, are joined by "_" in place of "/".
func SafeID(id string) string {
	parts := strings.Split(id, "/")
	for i, p := range parts {
		// An underscore within a part is escaped, so that the parts stay apart.
		parts[i] = strings.ReplaceAll(SafeName(p), "_", "%5F")
	}
	name := strings.Join(parts, "_")
	if len(name) <= MaxName {
		return name
	}
	hash := sha256.Sum256([]byte(id))
	tail := cutMark + hex.EncodeToString(hash[:16])
	return cutName(name, MaxName-len(tail)) + tail
}

func escape(text string) string {
	var b strings.Builder
	device := IsDevice(text)
	for i := range len(text) {
		c := text[i]
		keep := c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_' ||
			c == '.' && i > 0 && i < len(text)-1 // a dot in front hides a file, one at the end is lost on Windows
		if keep && !(i == 0 && device) {
			b.WriteByte(c)
			continue
		}
		const digits = "0123456789ABCDEF"
		b.Write([]byte{'%', digits[c>>4], digits[c&15]})
	}
	return b.String()
}

// IsDevice says whether Windows takes a name, with or without something after a dot, for a device rather than a file. SafeName
// never gives such a name; joined to other text it may become one.
func IsDevice(name string) bool {
	if name == "" || !strings.ContainsRune("CPANLcpanl", rune(name[0])) {
		return false
	}
	stem, _, _ := strings.Cut(name, ".")
	stem = strings.ToUpper(stem)
	switch stem {
	case "CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$":
		return true
	}
	if len(stem) != 4 || stem[:3] != "COM" && stem[:3] != "LPT" {
		return false
	}
	return stem[3] >= '0' && stem[3] <= '9'
}

// cutName keeps at most n bytes of an escaped name, and no half escape.
func cutName(name string, n int) string {
	name = name[:n]
	if i := strings.LastIndexByte(name, '%'); i >= 0 && i > n-3 {
		name = name[:i]
	}
	return name
}

// TopicLevel makes any text fit to be one level of an MQTT topic (MQTT 3.1.1 clause 4.7): one-to-one, never empty, without
// / + # and without a $ in front. It is SafeName, so that a topic and a file name of the same text agree.
func TopicLevel(text string) string { return SafeName(text) }
