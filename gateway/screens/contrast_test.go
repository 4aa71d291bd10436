package console

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// luminance is the relative luminance of a colour #rrggbb, by WCAG 2.2's definition of that term.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	n, err := strconv.ParseUint(strings.TrimPrefix(colour, "#"), 16, 24)
	if err != nil || len(colour) != 7 {
		t.Fatalf("%q is no colour of the form #rrggbb", colour)
	}
	part := func(shift uint) float64 {
		c := float64(n>>shift&0xff) / 255
		if c <= 0.04045 {
			return c / 12.92
		}
		return math.Pow((c+0.055)/1.055, 2.4)
	}
	return 0.2126*part(16) + 0.7152*part(8) + 0.0722*part(0)
}

// contrast is the ratio of two colours, by WCAG 2.2's definition of contrast ratio: 1 to 21.
func contrast(t *testing.T, a, b string) float64 {
	x, y := luminance(t, a), luminance(t, b)
	return (max(x, y) + 0.05) / (min(x, y) + 0.05)
}

// TestContrastOfKnownPairs: the ends of the scale follow from the definition; that #767676 is the lightest grey that passes
// on white, and #777777 is not, is common knowledge of the trade (from memory).
func TestContrastOfKnownPairs(t *testing.T) {
	for pair, want := range map[[2]string]string{
		{"#000000", "#ffffff"}: "21.00", {"#ffffff", "#ffffff"}: "1.00",
		{"#767676", "#ffffff"}: "4.54", {"#777777", "#ffffff"}: "4.48",
	} {
		if got := fmt.Sprintf("%.2f", contrast(t, pair[0], pair[1])); got != want {
			t.Errorf("%v: %s, want %s", pair, got, want)
		}
	}
}

// Which colours stand on which ground in page.css and index.html. Text needs 4.5 : 1 (WCAG 2.2, 1.4.3), shapes and the edges
// that carry a meaning 3 : 1 (1.4.11).
var (
	textOn = map[string]string{
		"ground":       "ink soft moss brick",
		"moss":         "ground", // a button
		"sheet":        "ink soft moss ochre brick",
		"brick-ground": "ink soft brick", "ochre-ground": "ink soft ochre", "slate-ground": "ink soft slate",
		"ink": "ground", // the link that skips to the balances
	}
	shapesOn = map[string]string{
		"ground": "edge moss brick slate", "sheet": "edge moss ochre brick slate ink",
		"moss":  "ground",                                    // the mark beside the name
		"brick": "sheet", "ochre": "sheet", "slate": "sheet", // the sign inside a shape
		"brick-ground": "brick", "ochre-ground": "ochre", "slate-ground": "slate",
	}
)

var (
	definition = regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]+)`)
	use        = regexp.MustCompile(`[{;\s](color|background|fill): var\(--([a-z-]+)\)`)
)

func TestEveryTextOnThePageHasContrast(t *testing.T) {
	src, err := os.ReadFile("page/page.css")
	if err != nil {
		t.Fatal(err)
	}
	css := string(src)
	if strings.Contains(css, "opacity") {
		t.Error("page.css makes something transparent: its contrast is not what its colours say")
	}
	light, rest, _ := strings.Cut(css, "prefers-color-scheme: dark")
	for name, part := range map[string]string{"light": light, "dark": rest} {
		colours := map[string]string{}
		for _, m := range definition.FindAllStringSubmatch(part, -1) {
			colours[m[1]] = m[2]
		}
		for kind, least := range map[string]float64{"text": 4.5, "shape": 3} {
			pairs := map[string]map[string]string{"text": textOn, "shape": shapesOn}[kind]
			for ground, fronts := range pairs {
				for front := range strings.FieldsSeq(fronts) {
					if got := contrast(t, colours[front], colours[ground]); got < least {
						t.Errorf("%s: %s %s on %s has %.2f : 1, and needs %.1f", name, kind, front, ground, got, least)
					}
				}
			}
		}
	}
	for _, m := range use.FindAllStringSubmatch(css, -1) {
		if m[1] == "background" && textOn[m[2]] == "" && shapesOn[m[2]] == "" {
			t.Errorf("--%s is a ground, and this test does not know what stands on it", m[2])
		}
		if m[1] != "background" && !stands(m[2]) {
			t.Errorf("--%s is the colour of a text, and this test does not know on which ground", m[2])
		}
	}
	if n := len(use.FindAllString(css, -1)); n < 20 {
		t.Errorf("only %d uses of colours found: this test looks at the wrong things", n)
	}
}

func stands(colour string) bool {
	for _, fronts := range textOn {
		if strings.Contains(" "+fronts+" ", " "+colour+" ") {
			return true
		}
	}
	return false
}
