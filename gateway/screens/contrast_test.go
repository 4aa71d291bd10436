package screens

import (
	"fmt"
	"io/fs"
	"math"
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

// Which colours stand on which ground. Text needs 4.5 : 1 (WCAG 2.2, 1.4.3), shapes and the edges that carry a meaning 3 : 1 (1.4.11).
var (
	textOn = map[string]string{
		"ground":       "ink soft moss ochre brick slate",
		"moss":         "ground", // a button
		"sheet":        "ink soft moss ochre brick slate",
		"brick":        "ground sheet", // NOT RECORDING
		"brick-ground": "ink soft brick moss", "ochre-ground": "ink soft ochre moss", "slate-ground": "ink soft slate moss",
		"ink": "ground", // the link that skips to what a page is about
	}
	shapesOn = map[string]string{
		"ground": "edge moss ochre brick slate", "sheet": "edge moss ochre brick slate ink",
		"moss":  "ground",                                    // the mark beside the name
		"brick": "sheet", "ochre": "sheet", "slate": "sheet", // the sign inside a shape
		"brick-ground": "brick", "ochre-ground": "ochre", "slate-ground": "slate moss",
	}
)

var (
	definition = regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]+)`)
	use        = regexp.MustCompile(`[{;\s](color|background|fill): var\(--([a-z-]+)\)`)
	opacity    = regexp.MustCompile(`opacity: *([0-9.]+)`)
)

func coloursIn(css string) map[string]string {
	colours := map[string]string{}
	for _, m := range definition.FindAllStringSubmatch(css, -1) {
		colours[m[1]] = m[2]
	}
	return colours
}

// stylesheets are the texts of all that there are, by name.
func stylesheets(t *testing.T) map[string]string {
	t.Helper()
	names, err := fs.Glob(files, "assets/*.css")
	if err != nil || len(names) < 8 {
		t.Fatalf("%v: %v", names, err)
	}
	all := map[string]string{}
	for _, name := range names {
		b, err := files.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		all[strings.TrimPrefix(name, "assets/")] = string(b)
	}
	return all
}

// TestEveryTextOnThePagesHasContrast: each pair of the tables above, light and dark; each colour that any stylesheet uses is in the
// tables; and nothing is made transparent, whose contrast would not be what its colours say.
func TestEveryTextOnThePagesHasContrast(t *testing.T) {
	all := stylesheets(t)
	light, dark, _ := strings.Cut(all["frame.css"], "prefers-color-scheme: dark")
	dark, _, _ = strings.Cut(dark, "* {") // without what is printed
	for name, part := range map[string]string{"light": light, "dark": dark} {
		holdPairs(t, name, coloursIn(part))
	}
	uses := 0
	for name, css := range all {
		if opacity.MatchString(css) {
			t.Errorf("%s makes something transparent: its contrast is not what its colours say", name)
		}
		for _, m := range use.FindAllStringSubmatch(css, -1) {
			uses++
			if m[1] == "background" && textOn[m[2]] == "" && shapesOn[m[2]] == "" {
				t.Errorf("%s: --%s is a ground, and this test does not know what stands on it", name, m[2])
			}
			if m[1] == "color" && !stands(textOn, m[2]) || m[1] == "fill" && !stands(textOn, m[2]) && !stands(shapesOn, m[2]) && textOn[m[2]] == "" {
				t.Errorf("%s: --%s is a colour of text or of a shape, and this test does not know on which ground", name, m[2])
			}
		}
	}
	if uses < 150 {
		t.Errorf("only %d uses of colours found: this test looks at the wrong things", uses)
	}
}

func holdPairs(t *testing.T, name string, colours map[string]string) {
	t.Helper()
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

// TestAWallThatIsSetLightOrDarkHasTheColoursOfThePages: those of which the contrast is held above.
func TestAWallThatIsSetLightOrDarkHasTheColoursOfThePages(t *testing.T) {
	all := stylesheets(t)
	light, dark, _ := strings.Cut(all["frame.css"], "prefers-color-scheme: dark")
	dark, _, _ = strings.Cut(dark, "* {")
	for ground, part := range map[string]string{"light": light, "dark": dark} {
		_, after, ok := strings.Cut(all["wall.css"], ".ground-"+ground+")")
		if !ok {
			t.Fatalf("a wall cannot be set %s", ground)
		}
		line, _, _ := strings.Cut(after, "}")
		here, want := coloursIn(line), coloursIn(part)
		for name, colour := range here {
			if want[name] != colour {
				t.Errorf("%s: --%s is %s, and %s on pages", ground, name, colour, want[name])
			}
		}
		if len(here) < 10 {
			t.Errorf("%s: only %d colours", ground, len(here))
		}
	}
}

func stands(on map[string]string, colour string) bool {
	for _, fronts := range on {
		if strings.Contains(" "+fronts+" ", " "+colour+" ") {
			return true
		}
	}
	return false
}
