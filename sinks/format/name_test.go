package format

import (
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/sinks/sinktest"
)

// goodName is what every system takes: Windows' rules are from its "Naming Files, Paths, and Namespaces" page (from memory):
// none of < > : " / \ | ? *, no control character, no space or dot at the end, no device name, with or without extension.
var (
	goodName = regexp.MustCompile(`^[A-Za-z0-9_%-]([A-Za-z0-9_%.-]*[A-Za-z0-9_%-])?$`)
	device   = regexp.MustCompile(`(?i)^(con|prn|aux|nul|com[0-9]|lpt[0-9]|conin\$|conout\$)(\..*)?$`)
)

func checkSafe(t interface{ Fatalf(string, ...any) }, text, name string) {
	switch {
	case !goodName.MatchString(name), device.MatchString(name), !filepath.IsLocal(name):
		t.Fatalf("%q became %q, which is no safe name", text, name)
	case len(name) > MaxName:
		t.Fatalf("%q became a name of %d bytes", text, len(name))
	case strings.ContainsAny(name, "+#/$@ "):
		t.Fatalf("%q became %q, which means something in a topic or a path", text, name)
	}
}

// undo reads a name back by the rules of RFC 3986, in net/url's reading of them. It knows what was cut.
func undo(name string) (text string, whole bool) {
	switch {
	case name == emptyName:
		return "", true
	case strings.Contains(name, cutMark):
		return "", false
	}
	text, err := url.PathUnescape(name)
	return text, err == nil
}

func texts() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.String(),
		rapid.SampledFrom(sinktest.Hostile),
		rapid.StringMatching(`(?i)(con|nul|com[0-9¹]|lpt)[. $]?[a-z.]{0,4}`),
		rapid.StringMatching(`[%._\-/ a-fA-F0-9]{0,60}`),
		rapid.StringMatching(`%(none|sha256-[0-9a-f]{32}|[0-9A-Fa-f]{2})*`),
		rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }),
	)
}

func TestNamesAreSafeAndCanBeUndone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := texts().Draw(t, "text")
		name := SafeName(text)
		checkSafe(t, text, name)
		back, whole := undo(name)
		if whole && back != text {
			t.Fatalf("%q became %q, which reads back as %q", text, name, back)
		}
		if !whole && len(escape(text)) <= MaxName {
			t.Fatalf("%q became %q, which cannot be undone", text, name)
		}
	})
}

func TestTwoTextsNeverShareAName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := texts().Draw(t, "a"), texts().Draw(t, "b")
		long := rapid.StringOfN(rapid.RuneFrom([]rune("aé /")), 100, 400, -1).Draw(t, "long")
		for _, pair := range [][2]string{{a, b}, {long + a, long + b}, {a, SafeName(a)}, {long, SafeName(long)}} {
			x, y := pair[0], pair[1]
			if x != y && SafeName(x) == SafeName(y) {
				t.Fatalf("%q and %q are both %q", x, y, SafeName(x))
			}
			if x != y && SafeID(x) == SafeID(y) {
				t.Fatalf("the ids %q and %q are both %q", x, y, SafeID(x))
			}
		}
		checkSafe(t, a, SafeID(a))
	})
}

func TestNames(t *testing.T) {
	for text, want := range map[string]string{
		"LOT-0042":  "LOT-0042",
		"v1.2_b":    "v1.2_b",
		"":          "%none",
		".":         "%2E",
		"..":        "%2E%2E",
		"../../x":   "%2E.%2F..%2Fx",
		"CON":       "%43ON",
		"con.txt":   "%63on.txt",
		"CONSOLE":   "CONSOLE",
		"COM10":     "COM10",
		"lpt1.json": "%6Cpt1.json",
		"lot 7.":    "lot%207%2E",
		"a:b":       "a%3Ab",
		"a\x00b":    "a%00b",
		"+/#":       "%2B%2F%23",
		"100%":      "100%25",
		"%41":       "%2541",
		"\u200f7":   "%E2%80%8F7",
		"é":         "%C3%A9",
	} {
		if got := SafeName(text); got != want {
			t.Errorf("%q: got %q, want %q", text, got, want)
		}
	}
	if got := SafeID("north-lab/7qx3/b-12/000184"); got != "north-lab_7qx3_b-12_000184" {
		t.Errorf("id: got %q", got)
	}
	if got := SafeID("a_b/c"); got != "a%5Fb_c" {
		t.Errorf("id: got %q", got)
	}
}
