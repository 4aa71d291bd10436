package seen

import (
	"encoding/json"
	"fmt"
	"net/url"
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
	*chromium.Seat
	l      *lab
	said   []string
	signed bool
}

func openEyes(t *testing.T, l *lab) *eyes {
	t.Helper()
	e := &eyes{Seat: chromium.Sit(t, 20*time.Minute, l.PageURL()), l: l}
	e.Event = e.hear
	e.Does("Emulation.setScrollbarsHidden", map[string]any{"hidden": true})
	for _, part := range []string{"Page.enable", "Log.enable", "Accessibility.enable"} {
		e.Does(part, nil)
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

// value has a script say something, which may take it a while, and reads it as JSON.
func (e *eyes) value(script string, into any) {
	e.T.Helper()
	var answer struct {
		Result           struct{ Value json.RawMessage }
		ExceptionDetails json.RawMessage
	}
	err := e.Call("Runtime.evaluate", map[string]any{"expression": script, "returnByValue": true, "awaitPromise": true}, &answer)
	if err != nil || answer.ExceptionDetails != nil {
		e.T.Fatalf("%v %s", err, answer.ExceptionDetails)
	}
	if into != nil {
		if err := json.Unmarshal(answer.Result.Value, into); err != nil {
			e.T.Fatalf("%v in %s", err, answer.Result.Value)
		}
	}
}

// look opens a page, signed in or not, and waits until it and its scripts are there.
func (e *eyes) look(p place) {
	e.T.Helper()
	if p.signedOut == e.signed {
		if p.signedOut {
			e.Is(nil)
		} else {
			e.Is(e.l.ada)
		}
		e.signed = !p.signedOut
	}
	e.goTo(e.l.PageURL() + p.path)
}

// goTo opens an address and waits for all of it.
func (e *eyes) goTo(address string) {
	e.T.Helper()
	e.said = nil
	e.Go(address)
}

func (e *eyes) as(s size, dark bool) {
	e.T.Helper()
	e.Size(s.width, s.height)
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	e.Does("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}, {"name": "prefers-reduced-motion", "value": "reduce"}}})
	e.value(fmt.Sprintf(`new Promise((done) => (function look() {
  if (innerWidth === %d && matchMedia("(prefers-color-scheme: %s)").matches) done(1); else requestAnimationFrame(look);
})())`, s.width, scheme), nil)
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
	e.T.Helper()
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
		e.T.Fatal(err)
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
		e.T.Fatal(err)
	}
	return strings.TrimPrefix(u.RequestURI(), "/")
}
