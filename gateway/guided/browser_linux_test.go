package guided

import (
	"encoding/base64"
	"encoding/json"
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
	l     *lab
	said  []string // what scripts complained about
	shots string   // the folder for pictures; "": none are wanted
	taken int
}

func sitDown(t *testing.T, l *lab) *seat {
	t.Helper()
	s := &seat{Browser: chromium.Start(t, 5*time.Minute), t: t, l: l, shots: os.Getenv("WEIGHPOST_SHOTS")}
	s.Event = s.hear
	s.Open("about:blank")
	s.does("Emulation.setFocusEmulationEnabled", map[string]any{"enabled": true})
	for _, part := range []string{"Runtime.enable", "Network.enable"} {
		s.does(part, nil)
	}
	s.size(1280, 800)
	return s
}

// hear keeps the errors of scripts.
func (s *seat) hear(method string, params json.RawMessage) {
	if method == "Runtime.exceptionThrown" {
		s.said = append(s.said, string(params))
	}
}

func (s *seat) does(method string, params map[string]any) {
	s.t.Helper()
	if err := s.Call(method, params, nil); err != nil {
		s.t.Fatalf("%v; the page says: %s", err, s.text("main"))
	}
}

func (s *seat) size(width, height int) {
	s.t.Helper()
	s.does("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false})
}

// is has somebody else before the browser.
func (s *seat) is(person string) {
	s.t.Helper()
	s.does("Network.clearBrowserCookies", nil)
	if c := s.l.cookies[person]; c != nil {
		s.does("Network.setCookie", map[string]any{"name": c.Name, "value": c.Value, "url": s.l.PageURL(), "httpOnly": true, "sameSite": "Strict"})
	}
}

// open goes to a page by its address.
func (s *seat) open(path string) {
	s.t.Helper()
	s.Go(s.l.PageURL() + strings.TrimPrefix(path, "/"))
}

// text is what stands in a part of the page, for eyes.
func (s *seat) text(selector string) string {
	q := strconv.Quote(selector)
	return s.Text("String(document.querySelector(" + q + ")?.innerText ?? 'there is no '+" + q + ")")
}

// until waits until a script says all of the words.
func (s *seat) until(script string, words ...string) {
	s.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		last = s.Text("String(" + script + ")")
		missing := false
		for _, w := range words {
			missing = missing || !strings.Contains(last, w)
		}
		if !missing {
			return
		}
	}
	s.t.Fatalf("%s never said %q; it says %q at %s; the page: %s", script, words, last, s.Text("location.href"), s.text("main"))
}

// shows waits until a part of the page shows all of the words.
func (s *seat) shows(selector string, words ...string) {
	s.t.Helper()
	q := strconv.Quote(selector)
	s.until("document.querySelector("+q+")?.innerText ?? 'there is no '+"+q, words...)
}

// lacks says that no part of the page that fits is seen.
func (s *seat) lacks(selector string) {
	s.t.Helper()
	s.until("[...document.querySelectorAll("+strconv.Quote(selector)+")].filter((e) => e.checkVisibility()).length", "0")
}

// aim gives the middle of what is there to be pressed, once the page is whole and nothing lies over it, and has it noted that it was.
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

// click presses what is there with the mouse, once it can be pressed.
func (s *seat) click(selector string) {
	s.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		last = s.Text(fmt.Sprintf(aim, selector))
		var x, y float64
		if _, err := fmt.Sscanf(last, "at %f %f", &x, &y); err != nil {
			continue
		}
		for _, kind := range []string{"mousePressed", "mouseReleased"} {
			s.does("Input.dispatchMouseEvent", map[string]any{"type": kind, "x": x, "y": y, "button": "left", "clickCount": 1})
		}
		for end := time.Now().Add(time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			if s.Text(`sessionStorage.getItem("pressed")`) == "yes" {
				return
			}
		}
	}
	s.t.Fatalf("%s is never pressed: %s; the page: %s", selector, last, s.text("main"))
}

// sends presses what sends a form, and waits until the page was loaded again.
func (s *seat) sends(selector string) {
	s.t.Helper()
	s.Leave("what "+selector+" leads to", func() { s.click(selector) })
}

// sendsNot presses what sends a form, and waits until the form says why that was not done.
func (s *seat) sendsNot(selector, why string) {
	s.t.Helper()
	s.click(selector)
	s.shows("form .told", why)
}

// fill types into a field, in the place of what stands there.
func (s *seat) fill(selector, text string) {
	s.t.Helper()
	s.until(fmt.Sprintf(`((q) => {
  const e = document.querySelector(q);
  if (document.readyState !== "complete" || !e) return false;
  e.focus();
  e.select?.();
  return document.activeElement === e;
})(%q)`, selector), "true")
	s.does("Input.insertText", map[string]any{"text": text})
	s.until("document.querySelector("+strconv.Quote(selector)+")?.value", text)
}

// choose chooses one of a list by its value, or, where that is "", the first whose words hold a text.
func (s *seat) choose(selector, words string) {
	s.t.Helper()
	s.until(fmt.Sprintf(`((q, words) => {
  const e = document.querySelector(q), o = [...(e?.options ?? [])].find((o) => o.value === words || o.text.includes(words));
  if (!o) return "there is none among " + [...(e?.options ?? [])].map((o) => o.text);
  e.value = o.value;
  e.dispatchEvent(new Event("change", { bubbles: true }));
  return "chosen";
})(%q, %q)`, selector, words), "chosen")
}

// key presses a key.
func (s *seat) key(name string) {
	s.t.Helper()
	code := map[string]int{"Enter": 13, "Escape": 27}[name]
	for _, kind := range []string{"keyDown", "keyUp"} {
		s.does("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": name, "code": name, "windowsVirtualKeyCode": code})
	}
}

// shoot keeps pictures of the page as a bench screen and a phone have it, where somebody wants some.
func (s *seat) shoot(name string) {
	s.t.Helper()
	if s.shots == "" {
		return
	}
	s.taken++
	for _, one := range []struct {
		name          string
		width, height int
	}{{"phone", 400, 800}, {"bench", 1280, 800}} {
		s.size(one.width, one.height)
		s.until("innerWidth", strconv.Itoa(one.width))
		var shot struct{ Data string }
		if err := s.Call("Page.captureScreenshot", map[string]any{"format": "png"}, &shot); err != nil {
			s.t.Fatal(err)
		}
		raw, err := base64.StdEncoding.DecodeString(shot.Data)
		if err == nil {
			err = os.WriteFile(filepath.Join(s.shots, fmt.Sprintf("%02d-%s-%s.png", s.taken, name, one.name)), raw, 0o644)
		}
		if err != nil {
			s.t.Fatal(err)
		}
	}
}
