package secret

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base32"
	"encoding/hex"
	"errors"
	"fmt"
	"hash/crc32"
	"regexp"
	"strings"
)

const (
	keyBytes   = 32   // 256 bits of crypto/rand: nobody guesses it, so that a fast hash is enough
	keySize    = 52   // keyBytes in base32
	sumSize    = 7    // 32 bits in base32
	keyPrefix  = "wp" // wp_ID_SECRET, where the last sumSize characters of SECRET are its checksum
	longestKey = 256
)

var (
	base = base32.NewEncoding("abcdefghijklmnopqrstuvwxyz234567").WithPadding(base32.NoPadding)
	// keyID is what the id of a key may be. It has no underscore, which parts a key.
	keyID = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?$`)
)

// ErrNotAKey says that something has not the form of a key.
var ErrNotAKey = errors.New("this is no key of this daemon: one begins with wp_ and has three parts")

// ErrMistyped says that a key was cut or changed on its way: it is no key that there ever was.
var ErrMistyped = errors.New("this key was cut off or mistyped (its checksum does not fit): copy it again, whole")

// NewKey makes a key for a program: what is shown once, and the hash that is kept.
func NewKey(id string) (shown, hash string, err error) {
	if !keyID.MatchString(id) {
		return "", "", fmt.Errorf("the id of a key is a to z, 0 to 9 and - inside, at most 63 characters")
	}
	b := make([]byte, keyBytes)
	if _, err := rand.Read(b); err != nil {
		return "", "", fmt.Errorf("this computer gives no random numbers, and without them no key can be made: %w", err)
	}
	body := keyPrefix + "_" + id + "_" + base.EncodeToString(b)
	shown = body + checksum(body)
	return shown, hashKey(shown), nil
}

// ParseKey gives the id that a key names, and its hash. ErrNotAKey or ErrMistyped where it cannot be a key: neither says
// anything about which keys there are.
func ParseKey(shown string) (id, hash string, err error) {
	if len(shown) > longestKey {
		return "", "", ErrNotAKey
	}
	parts := strings.Split(shown, "_")
	if len(parts) != 3 || parts[0] != keyPrefix || !keyID.MatchString(parts[1]) {
		return "", "", ErrNotAKey
	}
	if len(parts[2]) != keySize+sumSize {
		return "", "", ErrMistyped
	}
	body, sum := shown[:len(shown)-sumSize], shown[len(shown)-sumSize:]
	if checksum(body) != sum {
		return "", "", ErrMistyped
	}
	return parts[1], hashKey(shown), nil
}

// SameHash compares the hashes of two keys in a time that does not depend on where they differ. An empty kept one is nobody's.
func SameHash(kept, given string) bool {
	return kept != "" && subtle.ConstantTimeCompare([]byte(kept), []byte(given)) == 1
}

// checksum tells a mistyped key from a wrong one. It protects nothing: CRC-32 of everything before it.
func checksum(body string) string {
	n := crc32.ChecksumIEEE([]byte(body))
	return base.EncodeToString([]byte{byte(n >> 24), byte(n >> 16), byte(n >> 8), byte(n)})
}

func hashKey(shown string) string {
	sum := sha256.Sum256([]byte(shown))
	return "sha256:" + hex.EncodeToString(sum[:])
}
