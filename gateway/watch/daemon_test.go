package watch

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"
)

// page is a stand-in for the page of a daemon: each connection gets the next text and is then closed, or held open.
type page struct {
	*httptest.Server
	mu    sync.Mutex
	texts []string
}

func newPage(t *testing.T, texts ...string) *page {
	t.Helper()
	p := &page{texts: texts}
	p.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.mu.Lock()
		text, last := "", len(p.texts) <= 1
		if len(p.texts) > 0 {
			text, p.texts = p.texts[0], p.texts[1:]
		}
		p.mu.Unlock()
		if text == "" {
			w.Header().Set("Content-Type", "application/problem+json")
			w.WriteHeader(http.StatusServiceUnavailable)
			fmt.Fprint(w, `{"title":"Too many pages are open","detail":"Close one.\u001b[2J"}`)
			return
		}
		w.Header().Set("Content-Type", "text/event-stream")
		fmt.Fprint(w, text)
		_ = http.NewResponseController(w).Flush()
		if last {
			<-r.Context().Done()
		}
	}))
	t.Cleanup(p.Close)
	return p
}

func stateText(conditions ...string) string {
	return `event: state` + "\n" + `data: {"site":"seed-bank","at":"2026-11-25T15:04:05.123456Z","balances":[{"id":"b-1","port":"/dev/ttyUSB7"}],"conditions":[` +
		strings.Join(conditions, ",") + "]}\n\n"
}

const missing = `{"code":"port-missing","subject":"b-1","severity":"error","sentence":"No port.","remedy":"Plug it in.","since":"2026-11-25T15:00:00Z"}`
const full = `{"code":"disk-low","subject":"journal","severity":"warning","sentence":"Little space.","remedy":"Free some."}`

// watchUntil gathers what is told until an event satisfies done.
func watchUntil(t *testing.T, d *Daemon, done func(Event) bool) (said []string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	err := d.Run(ctx, func(e Event) error {
		said = append(said, strings.TrimSuffix(strings.Join([]string{e.Event, e.Balance, e.ID, e.Code, e.Why}, " "), " "))
		if done(e) {
			cancel()
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if ctx.Err() == context.DeadlineExceeded {
		t.Fatalf("only %q", said)
	}
	return said
}

func TestADaemonThatGoesAwayAndComesBack(t *testing.T) {
	reading := `event: readings` + "\n" + `data: [{"balance":"b-1","utc":"2026-11-25T15:04:05Z","value":{"digits":"1.0","kind":"net","stability":"stable","range":"in"}},` +
		`{"balance":"b-1","utc":"2026-11-25T15:04:05Z","value":{"digits":"1.0","kind":"net","stability":"stable","range":"in"},"recorded":"seed-bank/x/b-1/000001","sample":"LOT-1"},` +
		`{"balance":"b-1","utc":"2026-11-25T15:04:06Z","unread":"no line fits"}]` + "\n\n"
	p := newPage(t, stateText(missing)+": still here\n\n"+reading, "", stateText(missing)+stateText(missing, full)+stateText(full))
	said := watchUntil(t, &Daemon{URL: p.URL, first: time.Millisecond}, func(e Event) bool { return e.Event == Cleared })
	want := []string{"connected", "condition   port-missing", "reading b-1", "recorded b-1 seed-bank/x/b-1/000001", "unread b-1   no line fits",
		"away    the daemon at " + p.URL + " has closed the stream; trying again",
		"connected", "condition   disk-low", "cleared   port-missing"}
	for i := range said {
		said[i] = strings.TrimSpace(said[i])
	}
	if fmt.Sprint(said) != fmt.Sprint(want) {
		t.Errorf("said\n%q, wanted\n%q", said, want)
	}
}

func TestADaemonThatIsNotThereIsSaidOnce(t *testing.T) {
	gone := newPage(t)
	gone.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	var said []string
	if err := (&Daemon{URL: gone.URL, first: time.Millisecond, later: 5 * time.Millisecond}).Run(ctx, func(e Event) error {
		said = append(said, e.Event+" "+e.Why)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	if len(said) != 1 || !strings.Contains(said[0], "away no daemon answers at "+gone.URL) {
		t.Errorf("said %q", said)
	}
}

// TestAStreamThatFallsSilentIsGivenUp: a tunnel that hangs tells nobody.
func TestAStreamThatFallsSilentIsGivenUp(t *testing.T) {
	p := newPage(t, stateText())
	said := watchUntil(t, &Daemon{URL: p.URL, silence: 50 * time.Millisecond}, func(e Event) bool { return e.Event == Away })
	if len(said) != 2 || !strings.Contains(said[1], "nothing has come for 50ms") {
		t.Errorf("said %q", said)
	}
}

func TestWhoeverTakesTheEventsEndsTheWatching(t *testing.T) {
	p := newPage(t, stateText(missing))
	if err := (&Daemon{URL: p.URL}).Run(t.Context(), func(Event) error { return ErrGone }); !errors.Is(err, ErrGone) {
		t.Errorf("ended with %v", err)
	}
	if err := (&Daemon{URL: "seed-bank"}).Run(t.Context(), nil); err == nil || !strings.Contains(err.Error(), "no address of a page") {
		t.Errorf("of no address it says %v", err)
	}
}

func TestWhoHoldsAPort(t *testing.T) {
	p := newPage(t, stateText(), stateText(), "")
	if got := Holder(t.Context(), p.URL, nil, "", "/dev/ttyUSB7"); got != "b-1" {
		t.Errorf("held by %q", got)
	}
	if got := Holder(t.Context(), p.URL, nil, "", "/dev/ttyUSB8"); got != "" {
		t.Errorf("held by %q", got)
	}
	if got := Holder(t.Context(), p.URL, nil, "", "/dev/ttyUSB7"); got != "" {
		t.Errorf("held by %q, as a page says that is not there", got)
	}
}
