package seen

import (
	"fmt"
	"time"
)

// stops notes in window.stops what gets the keyboard, with how that shows, and gives how much can.
const stops = `(() => {
  const all = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex]")].filter((e) => {
    if (e.tabIndex < 0 || e.disabled || e.type === "hidden" || !e.checkVisibility({visibilityProperty: true})) return false;
    if (e.type === "radio" && e.name) {
      const group = [...document.querySelectorAll('input[type="radio"][name="' + CSS.escape(e.name) + '"]')].filter((r) => r.form === e.form && !r.disabled);
      return e === (group.find((r) => r.checked) ?? group[0]);
    }
    return true;
  });
  all.forEach((e, i) => { e.stopsAt = i; });
  window.stops = [];
  document.removeEventListener("focusin", window.noteStop);
  window.noteStop = (event) => {
    const e = event.target, style = getComputedStyle(e), box = e.getBoundingClientRect();
    window.stops.push({at: e.stopsAt ?? -1, name: e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") + " " + (e.textContent || e.name || "").trim().slice(0, 40),
      seen: style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0 && box.width > 0 && box.bottom > 0 && box.right > 0,
      how: [style.outlineStyle, style.outlineWidth, box.top, box.bottom, box.right, e.matches(":focus"), e.matches(":focus-visible"), document.hasFocus(), scrollY].join(" "),
      scrolls: e.scrollHeight > e.clientHeight || e.scrollWidth > e.clientWidth, top: box.top + scrollY, left: box.left});
  };
  document.addEventListener("focusin", window.noteStop);
  document.body.tabIndex = -1;
  document.body.focus(); // from the beginning of the page, wherever the page itself put the keyboard
  document.body.removeAttribute("tabindex");
  window.stops = [];
  scrollTo(0, 0);
  return all.map((e) => e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") + " " + (e.textContent || e.name || "").trim().slice(0, 40));
})()`

// strays is stray on a page that is as it stays: some get a button from a script a moment after they are there, and on a busy machine
// that moment may be within the walk. A mistake of the page itself is there each time.
func (e *eyes) strays(p place) (list []string) {
	for range 4 {
		if list = e.stray(p); len(list) == 0 {
			break
		}
		time.Sleep(500 * time.Millisecond)
	}
	return list
}

// stray goes through a page with the key Tab alone, and on from its end: everything gets the keyboard once, in the order in which the
// page is read, and shows it; a link past the navigation comes first. It says what is otherwise.
func (e *eyes) stray(p place) (list []string) {
	e.T.Helper()
	var want []string
	if e.value(stops, &want); len(want) == 0 {
		return nil
	}
	complain := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	var got []struct {
		At            int
		Name, How     string
		Seen, Scrolls bool
		Top, Left     float64
	}
	var jumps []string // what is put before all that is before it on the page
	e.value(`[...document.querySelectorAll("[tabindex]")].filter((e) => e.tabIndex > 0).map((e) => e.outerHTML)`, &jumps)
	for _, j := range jumps {
		complain("Tab jumps to %s", j)
	}
	for range len(want) + 2 {
		for _, kind := range []string{"keyDown", "keyUp"} {
			e.Does("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9})
		}
	}
	e.value("window.stops", &got)
	seen, next := map[int]bool{}, 0
	for i, s := range got {
		switch {
		case s.At < 0 && !s.Scrolls:
			complain("Tab came to %q, which nobody expects", s.Name)
		case s.At < 0: // what scrolls gets the keyboard by itself
		case seen[s.At]: // round again
		case s.At != next:
			complain("Tab came to %d (%s) where %d (%s) is next", s.At, s.Name, next, want[min(next, len(want)-1)])
			next = s.At + 1
		default:
			next++
		}
		seen[s.At] = true
		if !s.Seen {
			complain("nobody sees that %q has the keyboard: %s", s.Name, s.How)
		}
		if i == 0 && !p.bare && s.Name != "a Skip to what this page is about" {
			complain("Tab comes first to %q", s.Name)
		}
	}
	if next != len(want) {
		complain("Tab came to %d of %d: %s", next, len(want), fmt.Sprint(want[next:min(len(want), next+3)]))
	}
	return list
}
