package seen

import (
	"os"
	"strings"
	"testing"
)

// TestEveryPage looks at all pages at all sizes, in light and dark: nothing is wider than its window or cut off, no script fails, what
// can have the keyboard has a name, axe-core finds nothing serious, and the keyboard gets everywhere in the order of the page.
func TestEveryPage(t *testing.T) {
	axe := axeText(t)
	l := newLab(t)
	e := openEyes(t, l)
	long := os.Getenv("WEIGHPOST_LONG") == "1" || e.shots != ""
	for _, p := range l.places() {
		t.Run(p.name, func(t *testing.T) {
			e.t = t
			e.as(desk, false)
			e.look(p)
			if e.where() != p.path {
				t.Errorf("%s led to %s", p.path, e.where())
			}
			for _, role := range e.nameless() {
				t.Errorf("a %s can have the keyboard and has no name", role)
			}
			for _, s := range sizes {
				for _, dark := range []bool{false, true} {
					if !(long || !dark || s == desk) {
						continue
					}
					e.as(s, dark)
					name := p.name + "-" + s.name
					if dark {
						name += "-dark"
					}
					if !dark || s == desk {
						e.shoot(name)
					}
					var list []string
					if e.value(misfits, &list); len(list) > 0 {
						t.Errorf("%s: %q", name, list)
					}
					if long || s == phone || dark {
						for _, v := range e.held(axe) {
							t.Errorf("%s: %s", name, v)
						}
					}
				}
			}
			e.as(desk, false)
			e.tabs(p)
			for _, s := range e.said {
				if p.name == "turned-away" && strings.Contains(s, "404") {
					continue // it says that there is no such balance
				}
				t.Errorf("the console says: %s", s)
			}
		})
	}
}
