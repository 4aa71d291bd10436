//go:build unix

package chromium

import (
	"encoding/base64"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Seat is a browser with somebody before it: they wait until the page shows something, press what can be pressed, and type. What does not
// come ends the test, with what the page says instead.
type Seat struct {
	*Browser
	T     testing.TB // whose it is just now: subtests may take turns at one browser, by For
	Base  string     // the address of the pages, which ends in /
	Shots string     // the folder for pictures, that WEIGHPOST_SHOTS names; "": nobody wants any
	Said  []string   // the errors of scripts
}

// Sit starts a browser of 1280 by 800 pixels, which ends with the test, and has to have said all within a time. Its window is the one in
// front, from the first key on.
func Sit(t testing.TB, within time.Duration, base string) *Seat {
	t.Helper()
	s := &Seat{Browser: Start(t, within), T: t, Base: base, Shots: os.Getenv("WEIGHPOST_SHOTS")}
	s.Event = s.hear
	s.Open("about:blank")
	s.Does("Emulation.setFocusEmulationEnabled", map[string]any{"enabled": true})
	for _, part := range []string{"Runtime.enable", "Network.enable"} {
		s.Does(part, nil)
	}
	s.Size(1280, 800)
	return s
}

func (s *Seat) hear(method string, params json.RawMessage) {
	if method == "Runtime.exceptionThrown" {
		s.Said = append(s.Said, string(params))
	}
}

// For has what fails from now on be a failure of another test: of one that runs within that for which the browser was started.
func (s *Seat) For(t testing.TB) { s.T, s.t = t, t }

// Does has the browser do something.
func (s *Seat) Does(method string, params map[string]any) {
	s.T.Helper()
	if err := s.Call(method, params, nil); err != nil {
		s.T.Fatalf("%v; the page says: %s", err, s.Words("main"))
	}
}

// Size makes the window of a size in CSS pixels.
func (s *Seat) Size(width, height int) {
	s.T.Helper()
	s.Does("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": false})
}

// Is has somebody else before the browser, by the cookie of their session; nil: nobody.
func (s *Seat) Is(c *http.Cookie) {
	s.T.Helper()
	s.Does("Network.clearBrowserCookies", nil)
	if c != nil {
		s.Does("Network.setCookie", map[string]any{"name": c.Name, "value": c.Value, "url": s.Base, "httpOnly": true, "sameSite": "Strict"})
	}
}

// Visit goes to a page by its path.
func (s *Seat) Visit(path string) {
	s.T.Helper()
	s.Go(s.Base + strings.TrimPrefix(path, "/"))
}

// Reload has the page loaded again.
func (s *Seat) Reload() {
	s.T.Helper()
	s.Leave("the same page", func() { s.Does("Page.reload", nil) })
}

// Says gives what a script says, as text. Between two documents there is nobody to say anything.
func (s *Seat) Says(script string) string { return s.Text("String(" + script + ")") }

// words is a script for what stands in a part of the page, for eyes: what is hidden says nothing.
func words(selector string) string {
	return "((q) => { const e = document.querySelector(q); return !e ? 'there is no ' + q : e.checkVisibility() ? e.innerText : q + ' is not seen'; })(" + strconv.Quote(selector) + ")"
}

// Words is what stands in a part of the page, for eyes.
func (s *Seat) Words(selector string) string { return s.Says(words(selector)) }

// Until waits until a script says all of the words.
func (s *Seat) Until(script string, words ...string) {
	s.T.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		last = s.Says(script)
		if !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(last, w) }) {
			return
		}
	}
	s.T.Fatalf("%s never said %q; it says %q at %s; the page: %s", script, words, last, s.Says("location.href"), s.Words("main"))
}

// Shows waits until a part of the page shows all of the words.
func (s *Seat) Shows(selector string, all ...string) {
	s.T.Helper()
	s.Until(words(selector), all...)
}

// Lacks waits until no part of the page that fits is seen.
func (s *Seat) Lacks(selector string) {
	s.T.Helper()
	s.Until("'seen: ' + [...document.querySelectorAll("+strconv.Quote(selector)+")].filter((e) => e.checkVisibility()).length + '.'", "seen: 0.")
}

// At waits until the page has an address, and its scripts.
func (s *Seat) At(path string) {
	s.T.Helper()
	s.Until("location.pathname + location.search + ' ' + document.readyState", path+" complete")
}

// Ready waits until something has the keyboard.
func (s *Seat) Ready(selector string) {
	s.T.Helper()
	s.Until("document.activeElement?.matches("+strconv.Quote(selector)+")", "true")
}

// Shoot keeps a picture of the page in Shots, where somebody wants some: of what the window shows, or of the whole page.
func (s *Seat) Shoot(name string, whole bool) {
	s.T.Helper()
	if s.Shots == "" {
		return
	}
	var shot struct{ Data string }
	if err := s.Call("Page.captureScreenshot", map[string]any{"format": "png", "captureBeyondViewport": whole}, &shot); err != nil {
		s.T.Fatal(err)
	}
	s.Keep(name+".png", shot.Data)
}

// Keep writes what the browser gave in base64 into Shots, or else where it goes with the test, and gives the file's path.
func (s *Seat) Keep(name, data string) string {
	s.T.Helper()
	folder := s.Shots
	if folder == "" {
		folder = s.T.TempDir()
	}
	raw, err := base64.StdEncoding.DecodeString(data)
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, name), raw, 0o644)
	}
	if err != nil {
		s.T.Fatal(err)
	}
	return filepath.Join(folder, name)
}
