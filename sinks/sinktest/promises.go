package sinktest

import (
	"context"
	"errors"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// seed of the generated weighings; a failing run repeats with the same bytes.
const seed = 3

var promises = []struct {
	name  string
	needs func(Harness) bool
	test  func(*testing.T, *Harness)
}{
	{"delivers in order", nil, inOrder},
	{"delivers at least once, with the same id, after a cut", nil, afterCut},
	{"delivers the same entry again after a restart, unchanged", nil, afterRestart},
	{"keeps one id when the answer is lost", func(h Harness) bool { return h.LoseAnswer != nil }, answerLost},
	{"acknowledges nothing that did not arrive", nil, noFalseAcknowledgement},
	{"tells refused from try again", func(h Harness) bool { return h.Refuse != nil }, refused},
	{"keeps to the wait that a busy destination asks for", func(h Harness) bool { return h.Busy != nil }, busy},
	{"tells when the sink itself is turned away", func(h Harness) bool { return h.Deny != nil }, unusable},
	{"ends Deliver when its context ends", nil, deliverEnds},
	{"ends Close in time", nil, closeEnds},
	{"carries hostile ids safely", nil, hostile},
	{"carries 1,000 weighings with digits, unit, sign and time unchanged", nil, thousand},
}

func inOrder(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(60, seed)
	for at, size := range []int{1, 7, 0, 2, 50} {
		n, err := h.deliver(t.Context(), t, s, entries[:size])
		if n != size || err != nil {
			t.Fatalf("batch %d: accepted %d of %d: %v", at, n, size, err)
		}
		entries = entries[size:]
	}
	h.same(t, Weighings(60, seed))
}

func afterCut(t *testing.T, h *Harness) {
	count := 400
	if h.Few {
		count = 150
	}
	s, entries := h.open(t), Weighings(count, seed)
	h.all(t, s, entries[:20])
	// The cut comes while a batch is under way, wherever that happens to be.
	cut, before := make(chan struct{}), h.volume()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	under, done := context.WithCancel(ctx)
	go func() {
		defer close(cut)
		for h.volume() == before && under.Err() == nil {
			time.Sleep(200 * time.Microsecond)
		}
		h.Break()
	}()
	rest := entries[20:]
	n, err := h.deliver(ctx, t, s, rest)
	done()
	<-cut
	mustBeTryAgain(t, err, n == len(rest))
	h.acknowledged(t, entries[:20+n])
	h.Mend()
	h.all(t, s, rest[n:])
	h.same(t, entries)
}

func afterRestart(t *testing.T, h *Harness) {
	entries := Weighings(30, seed)
	s := h.open(t)
	h.all(t, s, entries)
	if err := s.Close(); err != nil {
		t.Fatalf("close: %v", err)
	}
	// The daemon was killed before its cursor was written: the last entries come again.
	h.all(t, h.open(t), entries[20:])
	h.same(t, entries)
}

func answerLost(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(5, seed)
	h.all(t, s, entries[:1])
	h.LoseAnswer()
	h.all(t, s, entries[1:])
	h.same(t, entries)
}

func noFalseAcknowledgement(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(8, seed)
	h.all(t, s, entries[:3])
	h.Break()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
	defer cancel()
	n, err := h.deliver(ctx, t, s, entries[3:])
	if n != 0 || err == nil {
		t.Fatalf("accepted %d entries while the destination was gone: %v", n, err)
	}
	mustBeTryAgain(t, err, false)
	h.Mend()
	h.all(t, s, entries[3:])
	h.same(t, entries)
}

func refused(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(6, seed)
	h.Refuse(entries[2].ID)
	n, err := h.deliver(t.Context(), t, s, entries)
	var r sinks.Refused
	if n != 2 || !errors.As(err, &r) {
		t.Fatalf("accepted %d and said %v; want 2 and refused", n, err)
	}
	h.all(t, s, entries[3:])
	h.same(t, append(append([]record.Entry{}, entries[:2]...), entries[3:]...))
	h.Break()
	ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
	defer cancel()
	_, err = h.deliver(ctx, t, s, Weighings(7, seed)[6:])
	mustBeTryAgain(t, err, false)
	h.Mend()
}

func busy(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(2, seed)
	h.Busy(7 * time.Second)
	n, err := h.deliver(t.Context(), t, s, entries)
	var b sinks.Busy
	if n != 0 || !errors.As(err, &b) || b.After != 7*time.Second {
		t.Fatalf("accepted %d and said %v; want 0 and busy for 7 s", n, err)
	}
	h.Busy(0)
	h.all(t, s, entries)
	h.same(t, entries)
}

func unusable(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(3, seed)
	h.Deny(true)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	n, err := h.deliver(ctx, t, s, entries)
	var u sinks.Unusable
	if n != 0 || !errors.As(err, &u) {
		t.Fatalf("accepted %d and said %v; want 0 and unusable", n, err)
	}
	h.Deny(false)
	h.all(t, s, entries) // it works again without being opened anew
	h.same(t, entries)
}

func deliverEnds(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(4, seed)
	h.all(t, s, entries[:1])
	stop, mend := h.Break, h.Mend
	if h.Hang != nil {
		stop, mend = func() { h.Hang(true) }, func() { h.Hang(false) }
	}
	stop()
	ctx, cancel := context.WithTimeout(t.Context(), 150*time.Millisecond)
	defer cancel()
	began := time.Now()
	n, err := h.deliver(ctx, t, s, entries[1:])
	if took := time.Since(began); took > h.Within {
		t.Fatalf("Deliver went on for %s after its context ended", took)
	}
	if n != 0 || err == nil {
		t.Fatalf("accepted %d entries that nobody took: %v", n, err)
	}
	mend()
	h.all(t, s, entries[1:])
	h.same(t, entries)
}

func closeEnds(t *testing.T, h *Harness) {
	for _, broken := range []bool{false, true} {
		s := h.open(t)
		h.all(t, s, Weighings(3, seed))
		if broken {
			h.Break()
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			_, _ = s.Deliver(ctx, Weighings(4, seed)[3:])
			cancel()
		}
		done := make(chan error, 1)
		go func() { done <- s.Close() }()
		select {
		case <-done: // an error is allowed: the destination may be gone
		case <-time.After(h.Within):
			t.Fatalf("Close has not ended after %s (destination broken: %v)", h.Within, broken)
		}
	}
	h.Mend()
}

func hostile(t *testing.T, h *Harness) {
	entries := WithSamples(Hostile, seed)
	// Ids and balances are checked names today. A journal from elsewhere could hold others: they must not get out of place.
	for i, e := range entries {
		if i%2 == 0 {
			entries[i] = withIdentity(e, "north-seed-bank/7qx3/"+Hostile[i]+"/000001", Hostile[i])
		}
	}
	h.all(t, h.open(t), entries)
	h.same(t, entries)
	names := make(map[string]bool)
	for _, a := range h.Received() {
		for _, r := range a.Name {
			if r < 0x20 || r == 0x7f || r == 0x202e || r == 0x200f {
				t.Fatalf("the name %q carries a character that is not for names", a.Name)
			}
		}
		names[a.Name] = true
	}
	t.Logf("%d entries under %d names", len(entries), len(names))
}

func thousand(t *testing.T, h *Harness) {
	s, entries := h.open(t), Weighings(1000, seed)
	if h.Few {
		entries = entries[:100]
	}
	for rest := entries; len(rest) > 0; {
		size := min(len(rest), 100)
		h.all(t, s, rest[:size])
		rest = rest[size:]
	}
	h.same(t, entries)
}

// volume is how much has arrived.
func (h *Harness) volume() (bytes int) {
	if h.Volume != nil {
		return h.Volume()
	}
	for _, a := range h.Received() {
		bytes += len(a.Body)
	}
	return bytes
}

// acknowledged checks that all of these are at the destination.
func (h *Harness) acknowledged(t *testing.T, entries []record.Entry) {
	t.Helper()
	there := make(map[string]bool)
	for _, f := range h.facts(t) {
		there[f.ID] = true
	}
	for _, e := range entries {
		if !there[e.ID] {
			t.Fatalf("%s was acknowledged and is not at the destination", e.ID)
		}
	}
}

// mustBeTryAgain checks that a passing fault is told as one: an entry must not be parked, nor a sink stopped, for it.
func mustBeTryAgain(t *testing.T, err error, done bool) {
	t.Helper()
	var r sinks.Refused
	var u sinks.Unusable
	switch {
	case err == nil && !done:
		t.Fatal("entries are missing and no error says why")
	case errors.As(err, &r), errors.As(err, &u):
		t.Fatalf("a passing fault is told as a lasting one: %v", err)
	}
}
