//go:build unix

// Package chromium has tests see a page in a real browser: Browser speaks to it, and Seat is somebody before it, who waits, presses and
// types.
package chromium

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// patience is how long a page may take to be whole, or to show something, on a machine that does much else.
const patience = 60 * time.Second

// Browser is a chromium without a window. It is spoken to by the DevTools protocol on two pipes, its descriptors 3 and 4: a
// JSON object and a zero byte each way, so that no port is opened and no library needed.
type Browser struct {
	t       testing.TB
	to      *os.File
	from    *bufio.Reader
	calls   int
	session string
	// Event, where it is set, is given what the browser tells without being asked, whenever an answer is read.
	Event func(method string, params json.RawMessage)
}

// Start starts one, which ends with the test, and has to have said all within a time.
func Start(t testing.TB, within time.Duration) *Browser {
	t.Helper()
	name := ""
	for _, n := range []string{"chromium", "chromium-browser"} {
		if path, err := exec.LookPath(n); err == nil && name == "" {
			name = path
		}
	}
	needs.That(t, name != "", "the program chromium")
	hears, to := pipe(t)
	from, says := pipe(t)
	cmd := exec.Command(name, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--no-first-run",
		"--disable-background-networking", "--remote-debugging-pipe", "--user-data-dir="+t.TempDir(), "about:blank")
	cmd.ExtraFiles = []*os.File{hears, says}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	hears.Close()
	says.Close()
	t.Cleanup(func() {
		to.Close()
		_ = syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) // all of its processes, so that its folder can be removed
		_ = cmd.Wait()
		from.Close()
	})
	if err := from.SetReadDeadline(time.Now().Add(within)); err != nil {
		t.Fatal(err)
	}
	return &Browser{t: t, to: to, from: bufio.NewReader(from)}
}

func pipe(t testing.TB) (r, w *os.File) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	return r, w
}

// Call asks for one thing and puts the answer into result. Events in between go to b.Event. The error is what the browser
// has against it.
func (b *Browser) Call(method string, params map[string]any, result any) error {
	b.t.Helper()
	b.calls++
	message := map[string]any{"id": b.calls, "method": method, "params": params}
	if b.session != "" {
		message["sessionId"] = b.session
	}
	raw, err := json.Marshal(message)
	if err != nil {
		b.t.Fatal(err)
	}
	if _, err := b.to.Write(append(raw, 0)); err != nil {
		b.t.Fatal(err)
	}
	for {
		raw, err := b.from.ReadBytes(0)
		if err != nil {
			b.t.Fatalf("the browser says nothing to %s: %v", method, err)
		}
		var answer struct {
			ID            int
			Method        string
			Params        json.RawMessage
			Result, Error json.RawMessage
		}
		if err := json.Unmarshal(raw[:len(raw)-1], &answer); err != nil {
			b.t.Fatalf("%s: %v %s", method, err, raw)
		}
		if answer.Method != "" && b.Event != nil {
			b.Event(answer.Method, answer.Params)
		}
		if answer.ID == b.calls && answer.Error != nil {
			return fmt.Errorf("%s: %s", method, answer.Error)
		}
		if answer.ID == b.calls {
			if result != nil {
				if err := json.Unmarshal(answer.Result, result); err != nil {
					b.t.Fatal(err)
				}
			}
			return nil
		}
	}
}

// Open opens an address, and speaks to its page from then on.
func (b *Browser) Open(url string) { b.OpenIn("", url) }

// OpenIn is Open in a browser context that shares neither cache nor cookies with others; "": the usual one. It waits until what the
// page is made of is there, so that nothing is measured or clicked half made.
func (b *Browser) OpenIn(browserContext, url string) {
	b.session = ""
	params := map[string]any{"url": url}
	if browserContext != "" {
		params["browserContextId"] = browserContext
	}
	var target struct{ TargetID, SessionID string }
	if err := b.Call("Target.createTarget", params, &target); err != nil {
		b.t.Fatal(err)
	}
	if err := b.Call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &target); err != nil {
		b.t.Fatal(err)
	}
	b.session = target.SessionID
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(5 * time.Millisecond) {
		if url == "about:blank" || b.Text(`location.href !== "about:blank" && document.readyState`) == "complete" {
			return
		}
	}
}

// Go goes on from the page that is open to an address, the same one too, and waits until the document that is there then is whole.
// The one from before is marked: it may still answer after the browser has said that it goes, and would be taken for the new one.
func (b *Browser) Go(url string) {
	b.t.Helper()
	b.Leave(url, func() {
		if err := b.Call("Page.navigate", map[string]any{"url": url}, nil); err != nil {
			b.t.Fatal(err)
		}
	})
}

// Leave does what has the page that is open left, or loaded again, and waits until another document is whole. The name is for whoever
// reads that none came.
func (b *Browser) Leave(name string, does func()) {
	b.t.Helper()
	b.Text(`window.leftBehind = "left behind"`)
	does()
	b.Arrived(name)
}

// Arrived waits for the end of what Leave begins.
func (b *Browser) Arrived(name string) {
	b.t.Helper()
	for limit := time.Now().Add(patience); b.Text(`window.leftBehind ?? document.readyState`) != "complete"; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			b.t.Fatalf("%s is not loaded in time", name)
		}
	}
}

// NewContext makes a browser context for OpenIn, which ends with the browser or by EndContext.
func (b *Browser) NewContext() (id string) {
	b.session = "" // the browser itself is asked, and no page of it
	var made struct{ BrowserContextID string }
	if err := b.Call("Target.createBrowserContext", nil, &made); err != nil {
		b.t.Fatal(err)
	}
	return made.BrowserContextID
}

// EndContext ends a browser context with its pages.
func (b *Browser) EndContext(id string) {
	b.session = ""
	if err := b.Call("Target.disposeBrowserContext", map[string]any{"browserContextId": id}, nil); err != nil {
		b.t.Fatal(err)
	}
}

// Text gives what a script says, as text. Between two documents there is nothing that could say anything.
func (b *Browser) Text(script string) string {
	b.t.Helper()
	var answer struct{ Result struct{ Value any } }
	if err := b.Call("Runtime.evaluate", map[string]any{"expression": script, "returnByValue": true}, &answer); err != nil {
		return err.Error()
	}
	return fmt.Sprint(answer.Result.Value)
}
