package visit_test

import (
	"encoding/base64"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/http/httputil"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs/chromium"
)

// at is a browser before the page of a weighpost, with the rights of whoever has the host's token.
type at struct {
	*chromium.Browser
	*weighpost
	base string
}

// look opens a browser. A proxy before the daemon shows the token, as no page can.
func (w *weighpost) look() *at {
	w.t.Helper()
	target, err := url.Parse(w.PageURL())
	if err != nil {
		w.t.Fatal(err)
	}
	proxy := httptest.NewServer(&httputil.ReverseProxy{FlushInterval: -1, Rewrite: func(r *httputil.ProxyRequest) {
		r.SetURL(target)
		r.Out.Host = target.Host
		r.Out.Header.Del("Origin")
		r.Out.Header.Del("Sec-Fetch-Site")
		r.Out.Header.Set("Authorization", "Bearer "+w.token)
		r.Out.Header.Set("X-Weighpost-By", "ada")
	}})
	w.t.Cleanup(proxy.Close)
	w.t.Cleanup(http.DefaultTransport.(*http.Transport).CloseIdleConnections)
	return &at{chromium.Start(w.t, 110*time.Second), w, proxy.URL}
}

// until waits until a script says something.
func (a *at) until(script, want string) {
	a.t.Helper()
	got := ""
	for limit := time.Now().Add(25 * time.Second); time.Now().Before(limit); time.Sleep(40 * time.Millisecond) {
		if got = a.Text(script); strings.Contains(got, want) {
			return
		}
	}
	a.t.Fatalf("%s says %q, and never %q; the page: %s", script, got, want, a.Text("document.body.innerText"))
}

// asks waits until the page asks something.
func (a *at) asks(want string) {
	a.t.Helper()
	a.until("document.getElementById('question')?.textContent", want)
}

// key presses a key.
func (a *at) key(key string, code int, text string) {
	a.t.Helper()
	for _, kind := range []string{"keyDown", "keyUp"} {
		if err := a.Call("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code, "text": text}, nil); err != nil {
			a.t.Fatal(err)
		}
	}
}

// tabTo goes on with the Tab key until what has the keyboard says something, and presses Enter there.
func (a *at) tabTo(want string) {
	a.t.Helper()
	for range 40 {
		if strings.Contains(a.Text("document.activeElement.textContent"), want) && a.Text("document.activeElement.tagName") == "BUTTON" {
			a.key("Enter", 13, "\r")
			return
		}
		a.key("Tab", 9, "")
	}
	a.t.Fatalf("the keyboard never comes to %q on %s", want, a.Text("document.body.innerText"))
}

// types writes into the field that has the keyboard, and presses Enter.
func (a *at) types(text string) {
	a.t.Helper()
	a.until("document.activeElement.tagName", "INPUT")
	if text != "" {
		if err := a.Call("Input.insertText", map[string]any{"text": text}, nil); err != nil {
			a.t.Fatal(err)
		}
	}
	a.key("Enter", 13, "\r")
}

// pictured keeps pictures of the page in three sizes, light and dark, where WEIGHPOST_PICTURES names a folder.
func (a *at) pictured(name string) {
	a.t.Helper()
	folder := os.Getenv("WEIGHPOST_PICTURES")
	if folder == "" {
		return
	}
	for _, size := range []struct {
		name          string
		width, height int
		scheme        string
	}{{"phone", 390, 844, "light"}, {"desk", 1440, 900, "light"}, {"bench", 1024, 768, "dark"}, {"phone-dark", 390, 844, "dark"}} {
		_ = a.Call("Emulation.setDeviceMetricsOverride", map[string]any{"width": size.width, "height": size.height, "deviceScaleFactor": 1, "mobile": false}, nil)
		_ = a.Call("Emulation.setEmulatedMedia", map[string]any{"features": []any{map[string]any{"name": "prefers-color-scheme", "value": size.scheme}}}, nil)
		var shot struct{ Data string }
		if err := a.Call("Page.captureScreenshot", map[string]any{"format": "png"}, &shot); err != nil {
			a.t.Fatal(err)
		}
		raw, err := base64.StdEncoding.DecodeString(shot.Data)
		if err == nil {
			err = os.WriteFile(filepath.Join(folder, fmt.Sprintf("%s-%s.png", name, size.name)), raw, 0o644)
		}
		if err != nil {
			a.t.Fatal(err)
		}
	}
}

// TestThePageAddsABalance in a real browser, by the keyboard alone: from the list of ports to a balance that is read. A page that is
// loaded again goes on where it was.
func TestThePageAddsABalance(t *testing.T) {
	w := newWeighpost(t)
	defer w.stop()
	a := w.look()
	a.Open(a.base + "/add")
	a.until("document.querySelector('h1')?.textContent + document.readyState", "Add a balancecomplete")
	a.pictured("add")
	a.tabTo("Begin")
	a.asks("Which port is the balance plugged in to?")
	a.pictured("port")
	a.tabTo("another: a device server")
	a.asks("The address of the port")
	a.types("/etc/passwd")
	a.until("document.getElementById('said').textContent", "is no serial device")
	a.tabTo("another: a device server")
	a.asks("The address of the port")
	a.types(w.device)
	a.asks("Speed, data bits, parity and stop bits are found by listening")
	a.tabTo("I know them")
	a.asks("Speed, data bits, parity and stop bits of the balance")
	a.types("")
	a.asks("Print several different loads")
	w.print(0, 12)
	a.until("document.getElementById('bytes').textContent", "N    12.3450 g  <CR><LF>4E 20 20 20")
	a.pictured("listening")
	a.Text("location.reload()")
	a.until("document.getElementById('bytes')?.textContent", "N    12.3450 g  <CR><LF>")
	a.asks("Print several different loads")
	a.tabTo("That is enough")
	a.learns()
	a.pictured("plate")
	for _, text := range []string{"b-7", "0047-112", "Germination room", "220 g", ""} {
		was := a.Text("document.getElementById('answer')?.dataset.number")
		a.types(text)
		a.until("document.getElementById('answer')?.dataset.number != "+was+" && document.getElementById('question') !== null", "true")
	}
	a.asks("What is recorded?") // twelve lines in a second are no print key
	a.tabTo("each line")
	a.asks("Put a load on")
	w.print(20, 1)
	a.asks("Is that what the display shows")
	a.until("document.getElementById('reading').textContent", "32.3590 g")
	a.pictured("compare")
	a.tabTo("yes, all of it")
	a.asks("Save this balance?")
	a.pictured("save")
	a.until("document.getElementById('summary').textContent", "id: b-7")
	a.Text("document.getElementById('reason').focus()")
	a.types("a balance for the germination room")
	a.asks("Balance b-7 is added")
	a.pictured("added")
	w.records(30)
}

// learns answers what the lines do not say, until the balance itself is asked about.
func (a *at) learns() {
	a.t.Helper()
	for range 20 {
		kind, text, _ := strings.Cut(a.Text("document.getElementById('answer')?.dataset.kind + '|' + document.getElementById('question')?.textContent"), "|")
		switch {
		case strings.Contains(text, "The balance's id"):
			a.until("document.querySelector('#lines .piece.named .what')?.textContent !== undefined", "true")
			return
		case strings.Contains(text, "Take it all the same"):
			a.tabTo("yes, with these doubts")
		case kind == "choice":
			a.pictured("learning")
			a.tabTo("not known")
		case kind == "text":
			a.types("")
		}
		time.Sleep(150 * time.Millisecond)
	}
	a.t.Fatalf("the questions do not end: %s", a.Text("document.body.innerText"))
}
