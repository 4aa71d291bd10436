package walked

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// seat is a browser with somebody before it.
type seat struct {
	*chromium.Browser
	t     *testing.T
	base  string // of the page, ends in /
	files string // where it puts what is downloaded
}

func sitDown(t *testing.T, base string) *seat {
	t.Helper()
	s := &seat{chromium.Start(t, 20*time.Minute), t, base, t.TempDir()}
	s.does("Browser.setDownloadBehavior", map[string]any{"behavior": "allow", "downloadPath": s.files})
	s.Open("about:blank")
	s.does("Emulation.setDeviceMetricsOverride", map[string]any{"width": 1024, "height": 768, "deviceScaleFactor": 1, "mobile": false})
	s.does("Emulation.setFocusEmulationEnabled", map[string]any{"enabled": true}) // the window is the one in front, from the first key on
	return s
}

// does has the browser do something.
func (s *seat) does(method string, params map[string]any) {
	s.t.Helper()
	if err := s.Call(method, params, nil); err != nil {
		s.t.Fatalf("%v; the page says: %s", err, s.text("main"))
	}
}

// open goes to a page by its address.
func (s *seat) open(path string) {
	s.t.Helper()
	s.Go(s.base + strings.TrimPrefix(path, "/"))
}

// reloads has the page loaded again.
func (s *seat) reloads() {
	s.t.Helper()
	s.Leave("the same page", func() { s.does("Page.reload", nil) })
}

// says gives what a script says. Between two documents there is nobody to say anything.
func (s *seat) says(script string) string { return s.Text("String(" + script + ")") }

// text is what stands in a part of the page, for eyes; what is hidden says nothing.
func (s *seat) text(selector string) string {
	q := strconv.Quote(selector)
	return s.says("document.querySelector(" + q + ")?.innerText ?? 'there is no '+" + q)
}

// until waits until a script says all of the words.
func (s *seat) until(script string, words ...string) {
	s.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		last = s.says(script)
		missing := false
		for _, w := range words {
			missing = missing || !strings.Contains(last, w)
		}
		if !missing {
			return
		}
	}
	s.t.Fatalf("%s never said %q; it says %q at %s; the page: %s", script, words, last, s.says("location.href"), s.text("main"))
}

// shows waits until a part of the page shows all of the words.
func (s *seat) shows(selector string, words ...string) {
	s.t.Helper()
	q := strconv.Quote(selector)
	s.until("document.querySelector("+q+")?.innerText ?? 'there is no '+"+q, words...)
}

// lacks waits until no part of the page that fits is seen.
func (s *seat) lacks(selector string) {
	s.t.Helper()
	s.until("[...document.querySelectorAll("+strconv.Quote(selector)+")].filter((e) => e.checkVisibility()).length", "0")
}

// at waits until the page has an address, and its scripts.
func (s *seat) at(path string) {
	s.t.Helper()
	s.until("location.pathname + location.search + ' ' + document.readyState", path+" complete")
}

// aim gives the middle of what is there to be pressed, once the page is whole and nothing lies over it, and has it noted where the
// next document still has it whether the mouse came to it.
const aim = `((q) => {
  const e = document.querySelector(q);
  if (document.readyState !== "complete" || !e || e.disabled) return e ? "it cannot be pressed yet" : "there is none";
  e.scrollIntoView({ block: "center", behavior: "instant" });
  const box = e.getClientRects()[0];
  if (!box) return "it is not seen";
  const x = box.x + box.width / 2, y = box.y + box.height / 2, over = document.elementFromPoint(x, y);
  if (!e.contains(over)) return "over it lies " + over?.outerHTML.slice(0, 100);
  sessionStorage.setItem("pressed", "no");
  e.addEventListener("click", () => sessionStorage.setItem("pressed", "yes"), { once: true, capture: true });
  return "at " + x + " " + y;
})(%q)`

// click presses what is there with the mouse, once it can be pressed: where it has moved away in between, or another document came,
// nothing was pressed, and it is aimed at again.
func (s *seat) click(selector string) {
	s.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		last = s.says(fmt.Sprintf(aim, selector))
		var x, y float64
		if _, err := fmt.Sscanf(last, "at %f %f", &x, &y); err != nil {
			continue
		}
		for _, kind := range []string{"mousePressed", "mouseReleased"} {
			s.does("Input.dispatchMouseEvent", map[string]any{"type": kind, "x": x, "y": y, "button": "left", "clickCount": 1})
		}
		for end := time.Now().Add(time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			if s.says(`sessionStorage.getItem("pressed")`) == "yes" {
				return
			}
		}
	}
	s.t.Fatalf("%s is never pressed: %s; the page: %s", selector, last, s.text("main"))
}

// focus gives the keyboard to a field, with all that stands in it chosen, so that what is typed takes its place.
func (s *seat) focus(selector string) {
	s.t.Helper()
	s.until(fmt.Sprintf(`((q) => {
  const e = document.querySelector(q);
  if (document.readyState !== "complete" || !e) return false;
  e.focus();
  e.select?.();
  return document.activeElement === e;
})(%q)`, selector), "true")
}

// fill types into a field, in the place of what stands there. Where another document has come in between, it is done again there.
func (s *seat) fill(selector, text string) {
	s.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); {
		s.focus(selector)
		s.keys(text)
		if last = s.says("document.querySelector(" + strconv.Quote(selector) + ")?.value"); last == text {
			return
		}
	}
	s.t.Fatalf("%s never holds %q: %q", selector, text, last)
}

// The two keys that do more than write.
const (
	tab   = "\t"
	enter = "\r"
)

// keys types on the keyboard, to whatever has it.
func (s *seat) keys(text string) {
	s.t.Helper()
	for _, r := range text {
		key := map[string]any{"key": string(r), "text": string(r)}
		switch string(r) {
		case tab:
			key = map[string]any{"key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9}
		case enter:
			key = map[string]any{"key": "Enter", "code": "Enter", "windowsVirtualKeyCode": 13, "text": enter}
		}
		for _, kind := range []string{"keyDown", "keyUp"} {
			key["type"] = kind
			s.does("Input.dispatchKeyEvent", key)
			delete(key, "text")
		}
	}
}

// enters types a line.
func (s *seat) enters(text string) {
	s.t.Helper()
	s.keys(text + enter)
}

// ready waits until something has the keyboard.
func (s *seat) ready(selector string) {
	s.t.Helper()
	s.until("document.activeElement?.matches("+strconv.Quote(selector)+")", "true")
}

// tabTo goes on with the Tab key until something has the keyboard.
func (s *seat) tabTo(selector string) {
	s.t.Helper()
	for range 60 {
		if s.says("document.activeElement?.matches("+strconv.Quote(selector)+")") == "true" {
			return
		}
		s.keys(tab)
	}
	s.t.Fatalf("the Tab key never comes to %s", selector)
}

// downloaded waits for a file whose name has an ending.
func (s *seat) downloaded(ending string) []byte {
	s.t.Helper()
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		found, _ := filepath.Glob(filepath.Join(s.files, "*"+ending))
		if len(found) == 1 {
			if b, err := os.ReadFile(found[0]); err == nil && len(b) > 0 {
				return b
			}
		}
	}
	list, _ := os.ReadDir(s.files)
	s.t.Fatalf("no file ...%s comes; there are %v", ending, list)
	return nil
}
