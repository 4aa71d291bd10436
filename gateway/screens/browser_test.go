//go:build unix

package screens

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/live"
	"weighpost/gateway/needs/chromium"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a state of a page is waited for, on a machine that does much else.
const patience = 60 * time.Second

// sitDown starts a browser. Each page is opened by its whole address: the houses come later.
func sitDown(t *testing.T) *chromium.Seat {
	t.Helper()
	return chromium.Sit(t, 2*patience, "")
}

// house is a console with the pages, that a browser can open.
type house struct {
	base  string
	hub   *live.Hub
	board *health.Board
	stop  func()
}

// openHouse serves the pages of what deps say, behind wrap where it is not nil. Whoever is on this computer may look.
func openHouse(t *testing.T, deps Deps, wrap func(http.Handler) http.Handler) *house {
	t.Helper()
	h := &house{hub: &live.Hub{}, board: health.New(time.Now)}
	deps.Site, deps.Live, deps.Conditions, deps.Log = "seed-bank", h.hub, h.board, slog.New(slog.DiscardHandler)
	s := New(deps)
	deps.Screens, deps.TurnedAway = s.Routes(), s.TurnedAway
	if wrap != nil {
		for i := range deps.Screens {
			deps.Screens[i].Handler = wrap(deps.Screens[i].Handler)
			if deps.Screens[i].Right == rights.Procedures { // whom wrap signs in the door does not know
				deps.Screens[i].Right = rights.See
			}
		}
	}
	server := console.New(deps)
	l, err := console.Listen(t.Context(), console.Config{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(ctx, l) }()
	h.base, h.stop = "http://"+l.Addr().String(), func() { cancel(); <-done }
	t.Cleanup(h.stop)
	return h
}

const (
	firstCard = `(document.querySelector("#balances li")?.innerText ?? "")`
	attention = `document.querySelector("[data-part=troubles]:not([hidden])")?.innerText ?? ""`
	intruders = `document.querySelectorAll("img, b, script:not([src^='/assets/'])").length + " intruders, title " + document.title`
)

// TestTheOverviewInABrowser: the live weight, whether it stands still, what was recorded, what is wrong and how it is mended, what
// is said aloud, and that text from outside stays text.
func TestTheOverviewInABrowser(t *testing.T) {
	b, f := sitDown(t), twoBalances()
	h := openHouse(t, Deps{Source: f}, nil)
	b.Open(h.base)
	b.Until(firstCard, "b-12", "Nothing received yet", "seed store "+hostile, "2 frames could not be read", "3 characters arrived damaged", "no person for the next weighing")
	if got := b.Text(attention); got != "" {
		t.Errorf("without trouble the page speaks of %q", got)
	}

	now := func() record.UTC { return record.UTC(time.Now()) }
	publish := func(l record.Live) {
		l.Balance, l.UTC = "b-12", now()
		h.hub.Publish(l)
	}
	for b.Text("String("+firstCard+`.includes("12.3450"))`) != "true" { // until the stream is open
		publish(record.Live{Value: grams("12.3450", "unstable")})
		time.Sleep(50 * time.Millisecond)
	}
	b.Until(firstCard, "12.3450", "moving, net")
	publish(record.Live{Value: grams("12.3451", "stable")})
	b.Until(firstCard, "12.3451", "settled, net")
	publish(record.Live{Value: grams("12.3451", "stable"), Recorded: "seed-bank/7qx3/b-12/000008", Sample: hostile})
	b.Until(firstCard, "seed-bank/7qx3/b-12/000008", "sample "+hostile)
	b.Until(`document.getElementById("heard").textContent`, "b-12 recorded 12.3451 g")
	publish(record.Live{Unread: hostile})
	b.Until(firstCard, "A frame that cannot be read", hostile)

	b.Text(`document.querySelector("#balances li:nth-child(2) a").focus()`)
	h.board.Raise(health.Condition{Code: health.PortMissing, Subject: "b-13", Severity: health.Error, Sentence: "There is no " + hostile + ".", Remedy: "Run `weighpost ports`."})
	b.Until(attention, "error", "There is no "+hostile+".", "Run weighpost ports.", "To the balance")
	b.Until(`document.querySelector("#balances li:nth-child(2)").innerText`, "There is no "+hostile)
	b.Until(`document.activeElement.textContent`, "b-13") // the keyboard is where it was
	b.Until(`document.querySelector(".summary").innerText`, "1 of 2 connected", "something is wrong with 1 balance")
	b.Until(intruders, "0 intruders", "seed-bank")

	h.board.Raise(health.Condition{Code: health.RecordingStopped, Subject: "journal", Severity: health.Error, Sentence: "Nothing is recorded."})
	b.Until(firstCard, "NOT RECORDING")
	for _, id := range []string{"b-12", "b-13"} {
		h.board.Raise(health.Condition{Code: health.ReadingsNotRecorded, Subject: id, Severity: health.Error, Sentence: "Waiting: " + hostile})
	}
	b.Until(attention, "Nothing is recorded. This affects 2 balances (b-12, b-13).", "What comes from it (2)")
	b.Text(`document.querySelector("#conditions summary").focus(); document.querySelector("#conditions summary").click()`)
	b.Until(attention, "Waiting: "+hostile)
	h.board.Raise(health.Condition{Code: health.ReadingsNotRecorded, Subject: "b-12", Severity: health.Error, Sentence: "Waiting longer."})
	b.Until(attention, "Waiting longer.") // it stays open, and the keyboard stays where it was
	b.Until(`document.activeElement.tagName`, "SUMMARY")
	h.board.Clear(health.ReadingsNotRecorded, "b-12")
	h.board.Clear(health.ReadingsNotRecorded, "b-13")
	h.board.Clear(health.RecordingStopped, "journal")
	b.Until(`String(!document.querySelector("#balances li").innerText.includes("NOT RECORDING"))`, "true")

	h.board.Clear(health.PortMissing, "b-13")
	b.Until(`String(document.querySelector("[data-part=troubles]").hidden)`, "true")
	sample := record.ContextHeld{Name: "sample", ID: hostile, By: "scanned"}
	f.change(func(s *source) { s.balances[0].Context = []record.ContextHeld{sample} })
	b.Until(firstCard, hostile, "scanned")
	b.Until(intruders, "0 intruders", "seed-bank")

	b.Text(`Date.now = ((then) => () => then() + 11000)(Date.now)`) // eleven seconds later
	b.Until(`document.querySelector("#balances li .weight").className + " " + document.querySelector("#balances li .when").innerText`, "old", "last sent")
	h.stop()
	b.Until(`document.querySelector("#cut:not([hidden])")?.innerText ?? ""`, "No connection to weighpost", "may be wrong by now")
}

// TestIntrudersAreSeen shows that the search for intruders can fail: on a page whose script sets markup, and without the policy that
// would stop it, the same text makes elements.
func TestIntrudersAreSeen(t *testing.T) {
	b := sitDown(t)
	h := openHouse(t, Deps{Source: twoBalances()}, func(next http.Handler) http.Handler {
		return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			kept := &kept{header: http.Header{}}
			next.ServeHTTP(kept, r)
			w.Header().Del("Content-Security-Policy")
			w.Header().Set("Content-Type", kept.header.Get("Content-Type"))
			broken := strings.ReplaceAll(kept.text.String(), "e.textContent = text;", "e.innerHTML = text;")
			if strings.HasSuffix(r.URL.Path, "/ask.js") && broken == kept.text.String() {
				t.Error("the script sets text in another way than this test knows")
			}
			fmt.Fprint(w, broken)
		})
	})
	b.Open(h.base)
	b.Until(firstCard, "b-12", "Nothing received yet")
	for limit := time.Now().Add(patience); b.Text(`String(document.querySelectorAll("img").length > 0)`) != "true" && time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
		h.hub.Publish(record.Live{Balance: "b-12", UTC: record.UTC(time.Now()), Unread: hostile})
	}
	if got := b.Text(intruders); strings.HasPrefix(got, "0 intruders") {
		t.Errorf("the search finds %q on a page that is full of them", got)
	}
}

// kept is an answer that is looked at before it is sent.
type kept struct {
	header http.Header
	text   strings.Builder
}

func (k *kept) Header() http.Header         { return k.header }
func (k *kept) WriteHeader(int)             {}
func (k *kept) Write(p []byte) (int, error) { return k.text.Write(p) }

// TestOneBalanceInABrowser: its page and its wall display follow what it shows, and what others show does not come there.
func TestOneBalanceInABrowser(t *testing.T) {
	b, f := sitDown(t), twoBalances()
	h := openHouse(t, Deps{Source: f}, nil)
	for _, path := range []string{"/balances/b-12", "/wall/b-12", "/wall"} {
		b.Open(h.base + path)
		const weight = `(document.querySelector("[data-balance=b-12]")?.innerText ?? "")`
		b.Until(weight, "Nothing received yet")
		for limit := time.Now().Add(patience); b.Text("String("+weight+`.includes("12.3450"))`) != "true" && time.Now().Before(limit); time.Sleep(50 * time.Millisecond) {
			for _, id := range []string{"b-12", "b-13"} {
				value := grams("12.3450", "stable")
				if id == "b-13" {
					value = grams("99.9999", "stable")
				}
				h.hub.Publish(record.Live{Balance: id, UTC: record.UTC(time.Now()), Value: value})
			}
		}
		b.Until(weight, "12.3450", "settled, net")
		h.board.Raise(health.Condition{Code: health.RecordingStopped, Subject: "journal", Severity: health.Error, Sentence: "Nothing is recorded."})
		b.Until(weight, "NOT RECORDING")
		h.board.Clear(health.RecordingStopped, "journal")
		b.Until("String(!"+weight+`.includes("NOT RECORDING"))`, "true")
		if got := b.Text(weight); strings.Contains(got, "99.9999") {
			t.Errorf("%s shows what another balance shows: %s", path, got)
		}
	}
	h.stop()
	b.Until(`document.querySelector("#cut:not([hidden])")?.innerText ?? ""`, "No connection to weighpost")
}
