package injected

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/needs"
)

// browser is a chromium without a window. It is spoken to by the DevTools protocol on two pipes, its descriptors 3 and 4: a
// JSON object and a zero byte each way, so that no port is opened and no library needed.
type browser struct {
	t       *testing.T
	to      *os.File
	from    *bufio.Reader
	calls   int
	session string
}

// patience is how long a state of the page is waited for, on a machine that does much else.
const patience = 60 * time.Second

func startBrowser(t *testing.T) *browser {
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
	if err := from.SetReadDeadline(time.Now().Add(10 * patience)); err != nil {
		t.Fatal(err)
	}
	return &browser{t: t, to: to, from: bufio.NewReader(from)}
}

func pipe(t *testing.T) (r, w *os.File) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	return r, w
}

// call asks for one thing and puts the answer into result. Events in between are passed over. The error is what the browser
// has against it.
func (b *browser) call(method string, params map[string]any, result any) error {
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
			ID     int
			Result json.RawMessage
			Error  json.RawMessage
		}
		if err := json.Unmarshal(raw[:len(raw)-1], &answer); err != nil {
			b.t.Fatalf("%s: %v %s", method, err, raw)
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

func (b *browser) open(url string) {
	var target struct{ TargetID, SessionID string }
	if err := b.call("Target.createTarget", map[string]any{"url": url}, &target); err != nil {
		b.t.Fatal(err)
	}
	if err := b.call("Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &target); err != nil {
		b.t.Fatal(err)
	}
	b.session = target.SessionID
}

// text gives what a script says, as text. Between two documents there is nothing that could say anything.
func (b *browser) text(script string) string {
	b.t.Helper()
	var answer struct{ Result struct{ Value any } }
	if err := b.call("Runtime.evaluate", map[string]any{"expression": script, "returnByValue": true}, &answer); err != nil {
		return err.Error()
	}
	return fmt.Sprint(answer.Result.Value)
}

// shows waits until the card of the balance shows a sample, letter by letter.
func (b *browser) shows(t *testing.T, id string) {
	t.Helper()
	want := "sample " + id + " "
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(10 * time.Millisecond) {
		if strings.Contains(b.text(`document.querySelector("#balances li")?.textContent ?? ""`)+" ", want[:len(want)-1]) {
			return
		}
	}
	t.Errorf("the page does not show %q: %s", id, b.text(`document.querySelector("#balances li")?.textContent ?? ""`))
}

// unharmed looks for elements that are not the page's own, and for what scripts in ids would do.
func (b *browser) unharmed(t *testing.T) {
	t.Helper()
	got := b.text(`document.querySelectorAll("img, b, iframe, [onerror], [onfocus], script:not([src='page.js'])").length + " intruders, " + document.title.includes("owned")`)
	if got != "0 intruders, false" {
		t.Errorf("on the page are %s", got)
	}
}
