package seen

import (
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// size is a window that the pages are made for, in CSS pixels.
type size struct {
	name          string
	width, height int
}

var (
	phone = size{"phone", 390, 844}
	desk  = size{"desk", 1440, 900}
	bench = size{"bench", 1024, 768}
	sizes = []size{phone, desk, bench}
)

// eyes is a browser before the lab's pages, and what its pages complained about since the last one was opened.
type eyes struct {
	*chromium.Browser
	t      *testing.T
	l      *lab
	said   []string
	shots  string
	signed bool
}

func openEyes(t *testing.T, l *lab) *eyes {
	t.Helper()
	e := &eyes{Browser: chromium.Start(t, 20*time.Minute), t: t, l: l, shots: os.Getenv("WEIGHPOST_SHOTS")}
	e.Event = e.hear
	e.Open("about:blank")
	e.do("Emulation.setFocusEmulationEnabled", map[string]any{"enabled": true}) // or nothing shows that it has the keyboard until the window comes to the front
	e.do("Emulation.setScrollbarsHidden", map[string]any{"hidden": true})
	for _, part := range []string{"Page.enable", "Runtime.enable", "Log.enable", "Network.enable", "Accessibility.enable"} {
		e.do(part, nil)
	}
	return e
}

// hear keeps errors of scripts, what the policy of the page refused, and files that did not come.
func (e *eyes) hear(method string, params json.RawMessage) {
	var p struct {
		ExceptionDetails struct {
			Text      string
			Exception struct{ Description string }
		}
		Entry struct{ Level, Text, URL string }
		Type  string
	}
	if json.Unmarshal(params, &p) != nil {
		return
	}
	switch {
	case method == "Runtime.exceptionThrown":
		e.said = append(e.said, p.ExceptionDetails.Text+" "+p.ExceptionDetails.Exception.Description)
	case method == "Runtime.consoleAPICalled" && (p.Type == "error" || p.Type == "warning" || p.Type == "assert"):
		e.said = append(e.said, string(params))
	case method == "Log.entryAdded" && (p.Entry.Level == "error" || p.Entry.Level == "warning"):
		e.said = append(e.said, p.Entry.Text+" "+p.Entry.URL)
	}
}

func (e *eyes) do(method string, params map[string]any) {
	e.t.Helper()
	if err := e.Call(method, params, nil); err != nil {
		e.t.Fatal(err)
	}
}

// value has a script say something, which may take it a while, and reads it as JSON.
func (e *eyes) value(script string, into any) {
	e.t.Helper()
	var answer struct {
		Result           struct{ Value json.RawMessage }
		ExceptionDetails json.RawMessage
	}
	err := e.Call("Runtime.evaluate", map[string]any{"expression": script, "returnByValue": true, "awaitPromise": true}, &answer)
	if err != nil || answer.ExceptionDetails != nil {
		e.t.Fatalf("%v %s", err, answer.ExceptionDetails)
	}
	if into != nil {
		if err := json.Unmarshal(answer.Result.Value, into); err != nil {
			e.t.Fatalf("%v in %s", err, answer.Result.Value)
		}
	}
}

// look opens a page, signed in or not, and waits until it and its scripts are there.
func (e *eyes) look(p place) {
	e.t.Helper()
	if p.signedOut == e.signed {
		if e.do("Network.clearBrowserCookies", nil); !p.signedOut {
			e.do("Network.setCookie", map[string]any{"name": e.l.ada.Name, "value": e.l.ada.Value, "url": e.l.PageURL(), "httpOnly": true, "sameSite": "Strict"})
		}
		e.signed = !p.signedOut
	}
	e.goTo(e.l.PageURL() + p.path)
}

// goTo opens an address and waits for all of it.
func (e *eyes) goTo(address string) {
	e.t.Helper()
	e.said = nil
	e.Go(address)
}

func (e *eyes) as(s size, dark bool) {
	e.t.Helper()
	e.do("Emulation.setDeviceMetricsOverride", map[string]any{"width": s.width, "height": s.height, "deviceScaleFactor": 1, "mobile": false})
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	e.do("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}, {"name": "prefers-reduced-motion", "value": "reduce"}}})
	e.value(fmt.Sprintf(`new Promise((done) => (function look() {
  if (innerWidth === %d && matchMedia("(prefers-color-scheme: %s)").matches) done(1); else requestAnimationFrame(look);
})())`, s.width, scheme), nil)
}

// shoot keeps a picture of the whole page, where somebody wants some.
func (e *eyes) shoot(name string) {
	e.t.Helper()
	if e.shots == "" {
		return
	}
	var shot struct{ Data string }
	if err := e.Call("Page.captureScreenshot", map[string]any{"format": "png", "captureBeyondViewport": true}, &shot); err != nil {
		e.t.Fatal(err)
	}
	e.keep(name+".png", shot.Data)
}

// keep writes what the browser gave in base64, and gives the file's name.
func (e *eyes) keep(name, data string) string {
	e.t.Helper()
	folder := e.shots
	if folder == "" {
		folder = e.t.TempDir()
	}
	raw, err := base64.StdEncoding.DecodeString(data)
	if err == nil {
		err = os.WriteFile(filepath.Join(folder, name), raw, 0o644)
	}
	if err != nil {
		e.t.Fatal(err)
	}
	return filepath.Join(folder, name)
}

// misfits are what does not fit: a page wider than its window, words cut off in what is pressed.
const misfits = `(() => {
  const out = [], wide = document.documentElement;
  const name = (e) => e.tagName.toLowerCase() + (e.id ? "#" + e.id : "") + "." + e.className + " " + e.textContent.trim().slice(0, 40);
  if (wide.scrollWidth > wide.clientWidth) {
    out.push("the page is " + wide.scrollWidth + " wide in a window of " + wide.clientWidth);
    for (const e of document.querySelectorAll("body *")) {
      if (e.getBoundingClientRect().right > wide.clientWidth + 1 && !e.closest(".scroll, svg, .heard-only")) { out.push("  " + name(e)); break; }
    }
  }
  for (const e of document.querySelectorAll("button, a.button, a.way, summary, nav a, .tools a")) {
    if (e.checkVisibility() && (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 1) && getComputedStyle(e).display !== "inline") {
      out.push("cut off: " + name(e) + " " + [e.scrollWidth, e.clientWidth, e.scrollHeight, e.clientHeight]);
    }
  }
  return out;
})()`

// nameless are the things that can have the keyboard and that a screen reader has no name for.
func (e *eyes) nameless() (list []string) {
	e.t.Helper()
	var tree struct {
		Nodes []struct {
			Ignored    bool
			Role, Name struct{ Value any }
			Properties []struct {
				Name  string
				Value struct{ Value any }
			}
		}
	}
	if err := e.Call("Accessibility.getFullAXTree", map[string]any{}, &tree); err != nil {
		e.t.Fatal(err)
	}
	for _, n := range tree.Nodes {
		role, name := fmt.Sprint(n.Role.Value), strings.TrimSpace(fmt.Sprint(n.Name.Value))
		for _, p := range n.Properties {
			if p.Name == "focusable" && p.Value.Value == true && (name == "" || name == "<nil>") && !n.Ignored && role != "RootWebArea" && role != "main" {
				list = append(list, role)
			}
		}
	}
	return list
}

// where is the path that the browser is at.
func (e *eyes) where() string {
	u, err := url.Parse(e.Text("location.href"))
	if err != nil {
		e.t.Fatal(err)
	}
	return strings.TrimPrefix(u.RequestURI(), "/")
}
