//go:build unix

package chromium

import (
	"fmt"
	"strconv"
	"time"
)

// aim gives the middle of what is there to be pressed, once the page is whole and nothing lies over it, and has it noted where the
// next document still has it whether the mouse came to it.
const aim = `((q) => {
  const e = document.querySelector(q);
  if (document.readyState !== "complete" || !e || e.disabled) return e ? "it cannot be pressed yet" : "there is none";
  e.scrollIntoView({ block: "center", behavior: "instant" });
  const box = e.getClientRects()[0];
  if (!box) return "it is not seen";
  const x = box.x + box.width / 2, y = box.y + box.height / 2, over = document.elementFromPoint(x, y);
  if (!e.contains(over) && !e.closest("label")?.contains(over)) return "over it lies " + over?.outerHTML.slice(0, 100);
  sessionStorage.setItem("pressed", "no");
  e.addEventListener("click", () => sessionStorage.setItem("pressed", "yes"), { once: true, capture: true });
  return "at " + x + " " + y;
})(%q)`

// Click presses what is there with the mouse, once it can be pressed: where it has moved away in between, or another document came,
// nothing was pressed, and it is aimed at again. What leads to another site was pressed where the browser has come there.
func (s *Seat) Click(selector string) {
	s.T.Helper()
	last := ""
	pressed := fmt.Sprintf(`location.origin === %s ? sessionStorage.getItem("pressed") : location.protocol.startsWith("http") ? "yes" : "no"`, strconv.Quote(s.Says("location.origin")))
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		last = s.Says(fmt.Sprintf(aim, selector))
		var x, y float64
		if _, err := fmt.Sscanf(last, "at %f %f", &x, &y); err != nil {
			continue
		}
		for _, kind := range []string{"mousePressed", "mouseReleased"} {
			s.Does("Input.dispatchMouseEvent", map[string]any{"type": kind, "x": x, "y": y, "button": "left", "clickCount": 1})
		}
		for end := time.Now().Add(time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			if s.Says(pressed) == "yes" {
				return
			}
		}
	}
	s.T.Fatalf("%s is never pressed: %s; the page: %s", selector, last, s.Words("main"))
}

// Sends presses what leads to another page, or sends a form, and waits until another document is there.
func (s *Seat) Sends(selector string) {
	s.T.Helper()
	s.Leave("what "+selector+" leads to", func() { s.Click(selector) })
}

// SendsNot presses what sends a form, and waits until the form says why that was not done.
func (s *Seat) SendsNot(selector, why string) {
	s.T.Helper()
	s.Click(selector)
	s.Shows("form .told", why)
}

// Choose chooses one of a list by its value, or the first whose words hold a text.
func (s *Seat) Choose(selector, words string) {
	s.T.Helper()
	s.Until(fmt.Sprintf(`((q, words) => {
  const e = document.querySelector(q), o = [...(e?.options ?? [])].find((o) => o.value === words || o.text.includes(words));
  if (!o) return "there is none among " + [...(e?.options ?? [])].map((o) => o.text);
  e.value = o.value;
  e.dispatchEvent(new Event("change", { bubbles: true }));
  return "chosen";
})(%q, %q)`, selector, words), "chosen")
}

// Focus gives the keyboard to a field, with all that stands in it chosen, so that what is typed takes its place.
func (s *Seat) Focus(selector string) {
	s.T.Helper()
	s.Until(fmt.Sprintf(`((q) => {
  const e = document.querySelector(q);
  if (document.readyState !== "complete" || !e) return false;
  e.focus();
  e.select?.();
  return document.activeElement === e;
})(%q)`, selector), "true")
}

// Fill types into a field, in the place of what stands there. Where another document has come in between, it is done again there.
func (s *Seat) Fill(selector, text string) {
	s.T.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); {
		s.Focus(selector)
		s.Keys(text)
		if last = s.Says("document.querySelector(" + strconv.Quote(selector) + ")?.value"); last == text {
			return
		}
	}
	s.T.Fatalf("%s never holds %q: %q", selector, text, last)
}

// The keys that do more than write, for Keys.
const (
	Tab    = "\t"
	Enter  = "\r"
	Escape = "\x1b"
)

// Keys types on the keyboard, to whatever has it.
func (s *Seat) Keys(text string) {
	s.T.Helper()
	for _, r := range text {
		switch string(r) {
		case Tab:
			s.Press("Tab", 9, "")
		case Enter:
			s.Press("Enter", 13, Enter)
		case Escape:
			s.Press("Escape", 27, "")
		default:
			s.Press(string(r), 0, string(r))
		}
	}
}

// Press presses one key: its name and number in a browser's events of keys, and what it writes, "" for nothing.
func (s *Seat) Press(name string, number int, writes string) {
	s.T.Helper()
	key := map[string]any{"type": "keyDown", "key": name}
	if number != 0 {
		key["code"], key["windowsVirtualKeyCode"] = name, number
	}
	if writes != "" {
		key["text"] = writes
	}
	s.Does("Input.dispatchKeyEvent", key)
	key["type"] = "keyUp"
	delete(key, "text")
	s.Does("Input.dispatchKeyEvent", key)
}

// Paste has text come at once to whatever has the keyboard, as a password manager or the clipboard does.
func (s *Seat) Paste(text string) {
	s.T.Helper()
	s.Does("Input.insertText", map[string]any{"text": text})
}

// Enters types a line.
func (s *Seat) Enters(text string) {
	s.T.Helper()
	s.Keys(text + Enter)
}

// TabTo goes on with the Tab key until something has the keyboard.
func (s *Seat) TabTo(selector string) {
	s.T.Helper()
	for range 60 {
		if s.Says("document.activeElement?.matches("+strconv.Quote(selector)+")") == "true" {
			return
		}
		s.Keys(Tab)
	}
	s.T.Fatalf("the Tab key never comes to %s; the page: %s", selector, s.Words("main"))
}
