package console

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/once"
	"weighpost/gateway/record"
)

// acted is a journal that knows which requests left an entry.
type acted struct {
	mu      sync.Mutex
	marks   map[string]string // by the key half
	broken  error
	settled int
}

func (a *acted) ActsOf(_ context.Context, key string) ([]string, string, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.broken != nil || a.marks[key] == "" {
		return nil, "", a.broken
	}
	return []string{"north-lab/7qx3/b-12/000184"}, a.marks[key], nil
}

func (a *acted) Settled(context.Context) error { a.settled++; return nil }

func (a *acted) note(mark string) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if mark != "" {
		a.marks[record.MarkKey(mark)] = mark
	}
}

// withKeys gives a console the memory and the journal that requests with a key need.
func withKeys(t *testing.T, h *house) (*acted, string) {
	t.Helper()
	dir := t.TempDir()
	m, err := once.Open(dir, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close() })
	a := &acted{marks: map[string]string{}}
	h.deps.Once, h.deps.Acts = m, a
	return a, dir
}

const readOnce = "/api/v1/balances/b-12/read"

func keyed(key string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set(keyHeader, key) }
}

// TestARequestWithAKeyIsCarriedOutOnce: draft-ietf-httpapi-idempotency-key-header-07, sections 2.1 to 2.7.
func TestARequestWithAKeyIsCarriedOutOnce(t *testing.T) {
	h := open(t)
	_, dir := withKeys(t, h)
	first, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed(`"8e03978e-40d5-43dd-bc93-6894a57f9324"`))
	if first.StatusCode != 200 || h.bench.count() != 1 || h.bench.reads[0].Mark == "" {
		t.Fatalf("%d %s %d", first.StatusCode, body, h.bench.count())
	}
	for range 2 { // also with another memory, as after a restart
		for _, key := range []string{`"8e03978e-40d5-43dd-bc93-6894a57f9324"`, `8e03978e-40d5-43dd-bc93-6894a57f9324`} {
			resp, again := send(t, h, "POST", readOnce, `{"record": true}`, keyed(key))
			if resp.StatusCode != 200 || again != body || resp.Header.Get("Content-Type") != first.Header.Get("Content-Type") || h.bench.count() != 1 {
				t.Errorf("%d %s, %d acts", resp.StatusCode, again, h.bench.count())
			}
		}
		for where, other := range map[string]string{readOnce: `{"record": false}`, "/api/v1/balances/b-13/read": `{"record": true}`} {
			resp, again := send(t, h, "POST", where, other, keyed("8e03978e-40d5-43dd-bc93-6894a57f9324"))
			if resp.StatusCode != 422 || !strings.Contains(again, problemKeyUsed) || h.bench.count() != 1 {
				t.Errorf("%d %s", resp.StatusCode, again)
			}
		}
		m, err := once.Open(dir, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { m.Close() })
		h.deps.Once = m
	}
	send(t, h, "POST", readOnce, `{"record": true}`, keyed("another"))
	send(t, h, "POST", readOnce, `{"record": true}`, nil)
	if h.bench.count() != 3 {
		t.Errorf("%d acts, want 3", h.bench.count())
	}
	for _, bad := range []string{`""`, `"`, `"a`, `a"b`, `a b`, `"a\b"`, strings.Repeat("x", 256)} {
		if resp, body := send(t, h, "POST", readOnce, `{}`, keyed(bad)); resp.StatusCode != 400 {
			t.Errorf("%q: %d %s", bad, resp.StatusCode, body)
		}
	}
	if resp, body := send(t, h, "POST", readOnce, `{}`, func(r *http.Request) { r.Header[keyHeader] = []string{"a", "b"} }); resp.StatusCode != 400 {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
}

func TestARequestWithAKeyThatIsUnderWayIsNotBegunAgain(t *testing.T) {
	h := open(t)
	withKeys(t, h)
	h.bench.slow = 500 * time.Millisecond
	answers := make(chan int, 10)
	var all sync.WaitGroup
	for range 10 {
		all.Go(func() {
			resp, _ := send(t, h, "POST", readOnce, `{"record": true}`, keyed("same"))
			if resp.StatusCode == 409 && resp.Header.Get("Retry-After") == "" {
				resp.StatusCode = 0
			}
			answers <- resp.StatusCode
		})
	}
	all.Wait()
	counts := map[int]int{}
	for range 10 {
		counts[<-answers]++
	}
	if counts[200] != 1 || counts[409] != 9 || h.bench.count() != 1 {
		t.Errorf("%v, %d acts", counts, h.bench.count())
	}
}

// TestWhatIsDurableIsNotDoneAgain: the program was killed after the entry was durable and before the answer was remembered.
func TestWhatIsDurableIsNotDoneAgain(t *testing.T) {
	h := open(t)
	a, _ := withKeys(t, h)
	a.note(record.RequestMark("host", "k-1", "POST\x00"+readOnce+"\x00"+`{"record": true}`))
	resp, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed("k-1"))
	if resp.StatusCode != 409 || !strings.Contains(body, problemCarriedOut) || !strings.Contains(body, `"entries":["north-lab/7qx3/b-12/000184"]`) {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	if resp, body := send(t, h, "POST", readOnce, `{}`, keyed("k-1")); resp.StatusCode != 422 {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	a.broken = fmt.Errorf("the disk is gone")
	if resp, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed("k-2")); resp.StatusCode != 503 {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	if h.bench.count() != 0 {
		t.Errorf("%d acts", h.bench.count())
	}
}

// TestAnAnswerThatLeavesItOpenIsNotTheEnd: the journal did not take the entry in time. It may still come.
func TestAnAnswerThatLeavesItOpenIsNotTheEnd(t *testing.T) {
	h := open(t)
	a, _ := withKeys(t, h)
	h.bench.answer = fmt.Errorf("too late: %w", record.ErrUnrecorded)
	if resp, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed("k")); resp.StatusCode != 503 {
		t.Fatalf("%d %s", resp.StatusCode, body)
	}
	h.bench.answer = nil
	resp, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed("k"))
	if resp.StatusCode != 409 || !strings.Contains(body, problemUnderWay) || a.settled != 1 || h.bench.count() != 0 {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	a.note(record.RequestMark("host", "k", "POST\x00"+readOnce+"\x00"+`{"record": true}`)) // there it is
	if resp, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed("k")); resp.StatusCode != 409 || !strings.Contains(body, problemCarriedOut) {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
	// Nothing was done: the same key may be sent again at once.
	for _, answer := range []error{&record.NoAnswer{Why: "The balance is silent."}, &record.AskRefused{Why: "The port is down."}} {
		h.bench.answer = answer
		if resp, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed("n")); resp.StatusCode < 400 {
			t.Errorf("%d %s", resp.StatusCode, body)
		}
	}
	h.bench.answer = nil
	if resp, body := send(t, h, "POST", readOnce, `{"record": true}`, keyed("n")); resp.StatusCode != 200 || h.bench.count() != 1 {
		t.Errorf("%d %s", resp.StatusCode, body)
	}
}

// TestNoKeyIsTakenWhereItDoesNotCount: every POST of the description either takes a key or refuses it, and every operation that
// is said to take one is there.
func TestNoKeyIsTakenWhereItDoesNotCount(t *testing.T) {
	h := open(t)
	withKeys(t, h)
	found := map[string]bool{}
	for path, item := range h.doc().Paths {
		if item.Post == nil {
			continue
		}
		id := item.Post.OperationID
		found[id] = true
		described := false
		for _, p := range item.Post.Parameters {
			described = described || p.Name == keyHeader
		}
		if described != onceRoutes[id] {
			t.Errorf("%s: described %v, taken %v", id, described, onceRoutes[id])
		}
		if !onceRoutes[id] {
			path = strings.NewReplacer("{id}", "b-12").Replace(path)
			if resp, body := send(t, h, "POST", path, `{}`, keyed("k")); resp.StatusCode != 400 || !strings.Contains(body, keyHeader) {
				t.Errorf("%s: %d %s", id, resp.StatusCode, body)
			}
		}
	}
	for id := range onceRoutes {
		if !found[id] {
			t.Errorf("there is no operation %s", id)
		}
	}
}
