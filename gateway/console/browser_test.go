//go:build unix

package console

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
)

// patience is how long a state of the page is waited for, on a machine that does much else.
const patience = 60 * time.Second

// browser is a real one, with what these tests want of it.
type browser struct {
	*chromium.Browser
	t *testing.T
}

func startBrowser(t *testing.T) *browser {
	t.Helper()
	return &browser{chromium.Start(t, 2*patience), t}
}

// shows waits until what a script says holds all of the wanted words.
func (b *browser) shows(script string, words ...string) {
	b.t.Helper()
	last := ""
	for limit := time.Now().Add(patience); time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		last = b.Text(script)
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
	b.Open(h.base)
	b.shows(card, "b-12", "Nothing received yet")
	h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Unread: hostile})
	b.shows(`String(document.querySelectorAll("img").length > 0 && document.querySelectorAll("b").length > 0)`, "true")
	if got := b.Text(intruders); strings.HasPrefix(got, "0 intruders") {
		t.Errorf("the search finds %q on a page that is full of them", got)
	}
}

// TestTheLivePageInABrowser opens the page in a real browser: the live weight, what is wrong, what was recorded, and that
// text from outside stays text.
func TestTheLivePageInABrowser(t *testing.T) {
	b := startBrowser(t)
	h := open(t)
	b.Open(h.base)
	b.shows(card, "b-12", "Nothing received yet")
	if got := b.Text(troubles); got != "" {
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
	b.Text(`document.querySelector("#conditions summary").focus(); document.querySelector("#conditions summary").click()`)
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
	b.Open(h.base)
	b.shows(card, "b-12", "no sample set")
	high := func(items string) string {
		return b.Text(`(() => { const c = cards.get("b-12"); showContext(c, ` + items + `); return Math.round(c.facts.getBoundingClientRect().height) })()`)
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
	b.Open(h.base)
	b.shows(card, "b-12", "Nothing received yet")
	for _, digits := range []string{"-12.3450", "1234567.89", "-12345678.9012345678901234"} {
		value := record.Value{Digits: digits, PrintedUnit: "mg", Kind: "net", Stability: "stable", Range: "in"}
		h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Value: &value})
		b.shows(card, digits)
		for _, width := range []int{400, 1280} {
			if err := b.Call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": false}, nil); err != nil {
				t.Fatal(err)
			}
			for _, size := range []string{"100%", "200%"} {
				got := b.Text(`(() => {
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
