package seen

import (
	"net/url"
	"os"
	"strings"
	"testing"
)

// TestEveryPage looks at all pages at all sizes, in light and dark: nothing is wider than its window or cut off, no script fails, what
// can have the keyboard has a name, axe-core finds nothing serious, and the keyboard gets everywhere in the order of the page.
func TestEveryPage(t *testing.T) {
	axe := axeText(t)
	needPaper(t)
	l := newLab(t)
	e := openEyes(t, l)
	e.provesItself(axe)
	long := os.Getenv("WEIGHPOST_LONG") == "1"
	t.Run("a chart by keys", func(t *testing.T) { e.For(t); e.chartByKeys(t) })
	for _, p := range l.places() {
		if p.rare && !long && e.Shots == "" {
			continue
		}
		t.Run(p.name, func(t *testing.T) {
			e.For(t)
			e.as(desk, false)
			e.look(p)
			for _, s := range e.strays(p) { // first, as it is found: nothing has the keyboard but what the page itself gives it to
				t.Error(s)
			}
			e.value(`document.activeElement?.blur(), scrollTo(0, 0), 1`, nil)
			if p.then != nil {
				p.then(e)
			}
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
					e.Shoot(name, true)
					var list []string
					if e.value(misfits, &list); len(list) > 0 {
						t.Errorf("%s: %q", name, list)
					}
					if long || s == phone || dark {
						for _, v := range e.held(axe, dark && !long) {
							t.Errorf("%s: %s", name, v)
						}
					}
				}
			}
			if onPaper[p.name] != nil {
				e.prints(p)
			}
			for _, s := range e.said {
				if p.name == "turned-away" && strings.Contains(s, "404") {
					continue // it says that there is no such balance
				}
				t.Errorf("the console says: %s", s)
			}
		})
	}
}

// spoilt is a page with a mistake of each kind that is looked for.
const spoilt = `<!doctype html><html lang="en"><title>Spoilt</title><main><h1>Spoilt</h1><p style="color:#eee;background:#fff">faint</p><input id="unnamed">
<div style="width:3000px">wide</div><button style="width:30px;white-space:nowrap;overflow:hidden">much too long for it</button>
<a href="/a" style="outline:none">second</a> <a href="/b" tabindex="1">first</a></main><script>setTimeout(() => { throw new Error("on purpose"); })</script>`

// provesItself shows that each look finds what it is for, on a page spoilt on purpose.
func (e *eyes) provesItself(axe string) {
	e.T.Helper()
	e.as(desk, false)
	e.goTo("data:text/html," + url.PathEscape(spoilt))
	found := strings.Join(e.held(axe, false), "\n")
	var fits []string
	e.value(misfits, &fits)
	all := strings.Join(fits, "\n")
	for what, there := range map[string]bool{"contrast": strings.Contains(found, "color-contrast"), "contrast by colours alone": strings.Contains(strings.Join(e.held(axe, true), "\n"), "color-contrast"), "a field without a label": strings.Contains(found, "#unnamed") || strings.Contains(found, "unnamed"),
		"a wide page": strings.Contains(all, "wide in a window"), "a cut word": strings.Contains(all, "cut off"), "a nameless field": len(e.nameless()) > 0,
		"an error of a script": strings.Contains(strings.Join(e.said, ""), "on purpose")} {
		if !there {
			e.T.Errorf("a page spoilt on purpose shows no %s: %s %s", what, found, all)
		}
	}
	if list := strings.Join(e.stray(place{}), "\n"); !strings.Contains(list, "jumps") || !strings.Contains(list, "nobody sees") || !strings.Contains(list, "comes first") {
		e.T.Errorf("a page spoilt on purpose has its keyboard in order: %s", list)
	}
}
