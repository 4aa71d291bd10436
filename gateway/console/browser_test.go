//go:build unix

package console

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"weighpost/gateway/health"
	machine "weighpost/gateway/needs"
	"weighpost/gateway/record"
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
	machine.That(t, name != "", "the program chromium")
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
	if err := from.SetReadDeadline(time.Now().Add(2 * patience)); err != nil {
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

// shows waits until what a script says holds all of the wanted words.
func (b *browser) shows(script string, words ...string) {
	b.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		last = b.text(script)
		missing := false
		for _, w := range words {
			missing = missing || !strings.Contains(last, w)
		}
		if !missing {
			return
		}
	}
	b.t.Fatalf("%s never held %q; it ended as %q", script, words, last)
}

const (
	card      = `document.querySelector("#balances li")?.innerText ?? ""`
	troubles  = `document.querySelector("#trouble:not([hidden])")?.innerText ?? ""`
	intruders = `document.querySelectorAll("img, b, script:not([src='page.js'])").length + " intruders, title " + document.title`
)

// hostile is text from outside that tries to be markup.
const hostile = `<img src=x onerror="document.title='owned'"><b>LOT</b>`

// TestIntrudersAreSeen shows that the search for intruders below can fail: on a page whose script sets markup, and without
// the policy that would stop it, the same text makes elements.
func TestIntrudersAreSeen(t *testing.T) {
	b := startBrowser(t)
	h := openWith(t, func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			kept := httptest.NewRecorder()
			if r.URL.Path == "/live" {
				next.ServeHTTP(w, r)
				return
			}
			next.ServeHTTP(kept, r)
			for name := range kept.Header() {
				if name != "Content-Security-Policy" && name != "Content-Length" {
					w.Header().Set(name, kept.Header().Get(name))
				}
			}
			broken := strings.ReplaceAll(kept.Body.String(), "e.textContent = text", "e.innerHTML = text")
			if r.URL.Path == "/page.js" && broken == kept.Body.String() {
				t.Error("the script sets text in another way than this test knows")
			}
			w.WriteHeader(kept.Code)
			_, _ = io.WriteString(w, broken)
		})
	})
	b.open(h.base)
	b.shows(card, "b-12", "Nothing received yet")
	h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Unread: hostile})
	b.shows(`String(document.querySelectorAll("img").length > 0 && document.querySelectorAll("b").length > 0)`, "true")
	if got := b.text(intruders); strings.HasPrefix(got, "0 intruders") {
		t.Errorf("the search finds %q on a page that is full of them", got)
	}
}

// TestTheLivePageInABrowser opens the page in a real browser: the live weight, what is wrong, what was recorded, and that
// text from outside stays text.
func TestTheLivePageInABrowser(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	b.open(h.base)
	b.shows(card, "b-12", "Nothing received yet")
	if got := b.text(troubles); got != "" {
		t.Errorf("without trouble the page speaks of %q", got)
	}

	// The card came over the stream, so that from here on the page hears what is published.
	value := record.Value{Digits: "12.3450", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}
	h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: &value})
	b.shows(card, "12.3450\n", "stable, net")

	h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: &value, Recorded: "north-lab/7qx3/b-12/000008", Sample: hostile})
	b.shows(card, "north-lab/7qx3/b-12/000008", "sample "+hostile)
	h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Unread: hostile})
	b.shows(card, "A frame that cannot be read", hostile)

	h.board.Raise(health.Condition{Code: "port-missing", Subject: "b-13", Severity: health.Error, Sentence: "There is no " + hostile + ".", Remedy: "Run `weighpost version`."})
	b.shows(troubles, "error", "There is no "+hostile+".", "Run weighpost version.")
	b.shows(intruders, "0 intruders", "north-lab")

	b.shows(`document.querySelector("#time-part:not([hidden])")?.innerText ?? ""`, "checked, since", "right within ± 21.0 ms", "time-2.example:123",
		"falseticker", "<b>3 s</b> off", "−3.000 s", "silent", "not known")
	b.shows(card, "no person for the next weighing", "no sample set", "2 frames could not be read. The last came at",
		"<b><02> 9.3450 g<0D><0A><FF>", "3 characters arrived damaged.", "no parity and no check characters")

	h.board.Raise(health.Condition{Code: "recording-stopped", Subject: "journal", Severity: health.Error, Sentence: "Nothing is recorded."})
	b.shows(card, "Not being recorded now")
	for _, id := range []string{"b-12", "b-13"} {
		h.board.Raise(health.Condition{Code: health.ReadingsNotRecorded, Subject: id, Severity: health.Error, Sentence: "Waiting: " + hostile})
	}
	b.shows(troubles, "Nothing is recorded. This affects 2 balances (b-12, b-13).", "What comes from it (2)")
	b.text(`document.querySelector("#conditions summary").focus(); document.querySelector("#conditions summary").click()`)
	b.shows(troubles, "Waiting: "+hostile)
	h.board.Raise(health.Condition{Code: health.ReadingsNotRecorded, Subject: "b-12", Severity: health.Error, Sentence: "Waiting longer."})
	b.shows(troubles, "Waiting longer.") // it stays open, and the keyboard stays where it was
	b.shows(`document.activeElement.tagName`, "SUMMARY")
	b.shows(intruders, "0 intruders", "north-lab")
	h.board.Clear(health.ReadingsNotRecorded, "b-12")
	h.board.Clear(health.ReadingsNotRecorded, "b-13")
	h.board.Clear("recording-stopped", "journal")
	b.shows(`String(!document.querySelector("#balances li").innerText.includes("Not being recorded"))`, "true")

	if err := h.stop(); err != nil {
		t.Fatal(err)
	}
	b.shows(`document.querySelector("#cut:not([hidden])")?.innerText ?? ""`, "No connection to weighpost", "may be wrong by now")
}

// TestThePageStandsStillWhileSamplesComeAndGo: a card that was tied once is as high with a sample as without, and says of a
// recorded weighing that it has none.
func TestThePageStandsStillWhileSamplesComeAndGo(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	b.open(h.base)
	b.shows(card, "b-12", "no sample set")
	high := func(items string) string {
		return b.text(`(() => { const c = cards.get("b-12"); showContext(c, ` + items + `); return Math.round(c.facts.getBoundingClientRect().height) })()`)
	}
	value := record.Value{Digits: "12.3450", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}
	h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: &value, Recorded: "north-lab/7qx3/b-12/000008"})
	b.shows(card, "000008")
	const person, sample = `{name: "person", id: "P-07", by: "scanned", until: "2026-11-25T10:04:05Z"}`,
		`{name: "sample", id: "LOT-2001", by: "scanned", uses_left: 1, until: "2026-11-25T10:04:05Z"}`
	both := high("[" + person + "," + sample + "]")
	for _, items := range []string{"[" + person + "]", "[" + sample + "]", "[]"} {
		if got := high(items); got != both {
			t.Errorf("%s px high with %s, and %s with both", got, items, both)
		}
	}
	for i, c := range []struct{ sample, says string }{{"LOT-2001", "sample LOT-2001"}, {"", "no sample\n"}} {
		id := fmt.Sprintf("north-lab/7qx3/b-12/%06d", i+9)
		h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: &value, Recorded: id, Sample: c.sample})
		b.shows(card, c.says, id)
		if got := high("[]"); got != both {
			t.Errorf("%s px high with %q recorded, and %s before", got, c.says, both)
		}
	}
}

// TestAWeightIsNeverCutShort: on a narrow screen and with letters twice as large (WCAG 2.2, 1.4.4 and 1.4.10) every digit of a
// weight is there, on one line where it has as many as balances show. Part of a number would be another number.
func TestAWeightIsNeverCutShort(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	b.open(h.base)
	b.shows(card, "b-12", "Nothing received yet")
	for _, digits := range []string{"-12.3450", "1234567.89", "-12345678.9012345678901234"} {
		value := record.Value{Digits: digits, PrintedUnit: "mg", Kind: "net", Stability: "stable", Range: "in"}
		h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: &value})
		b.shows(card, digits)
		for _, width := range []int{400, 1280} {
			if err := b.call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": false}, nil); err != nil {
				t.Fatal(err)
			}
			for _, size := range []string{"100%", "200%"} {
				got := b.text(`(() => {
					document.documentElement.style.fontSize = "` + size + `";
					const c = cards.get("b-12"), box = c.item.getBoundingClientRect(), d = c.digits.getBoundingClientRect();
					const lines = new Set(Array.from({ length: c.digits.firstChild.length }, (_, i) => {
						const r = document.createRange(); r.setStart(c.digits.firstChild, i); r.setEnd(c.digits.firstChild, i + 1);
						return Math.round(r.getBoundingClientRect().top); })).size;
					return (c.digits.scrollWidth > c.digits.clientWidth + 1 || d.right > box.right || d.left < box.left ? "cut, " : "whole, ") +
						(lines > 1 ? "in pieces" : "on one line") + (document.documentElement.scrollWidth > innerWidth ? ", and the page is too wide" : "");
				})()`)
				want := "whole, on one line"
				if len(digits) > 12 {
					want = "whole, in pieces"
				}
				if got != want && !(len(digits) > 12 && got == "whole, on one line") {
					t.Errorf("%s at %d px with letters of %s: %s", digits, width, size, got)
				}
			}
		}
	}
}
