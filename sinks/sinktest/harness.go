// Package sinktest is the conformance suite that every sink runs. Its tests are named after the promises of sinks.Sink, and
// judge by what arrived on the far side, never by what the sink says of itself.
//
// A sink brings a Harness: how to open the sink, what arrived, and how to make its destination misbehave.
//
//	func TestPromises(t *testing.T) {
//		sinktest.Run(t, func(t *testing.T) sinktest.Harness {
//			far := startReceiver(t)
//			return sinktest.Harness{Open: far.open, Received: far.received, Break: far.stop, Mend: far.start}
//		})
//	}
package sinktest

import (
	"context"
	"errors"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Harness is one destination with a sink in front of it. Open, Received, Break and Mend are needed; a nil hook among the
// others says that such a destination cannot do that, and its promise is not tested. Hooks are called from the test's
// goroutine, except that Break and Received may be called while Deliver runs.
type Harness struct {
	// Open gives a new sink to this destination. It is called again after Close, as after a restart of the daemon.
	Open func() (sinks.Sink, error)
	// Received gives all that arrived so far, in the order of arrival where the destination has one, read on the far side.
	Received func() []Arrival
	// Volume tells at any time, also while more arrives, that more has arrived: the number has changed. Nil: from Received.
	Volume func() int
	// Break makes the destination unreachable until Mend. What arrived stays.
	Break func()
	Mend  func()

	// Refuse makes the destination refuse the entry with this id for ever.
	Refuse func(id string)
	// Busy makes the destination ask for this wait, and take nothing. Zero ends it.
	Busy func(after time.Duration)
	// Deny makes the destination turn the sink itself away: wrong credentials, no such target. False ends it.
	Deny func(bool)
	// Hang makes the destination take the connection and never answer. False ends it.
	Hang func(bool)
	// LoseAnswer makes the destination keep the next delivery and lose the connection before it answers.
	LoseAnswer func()

	// Parse reads what one arrival says of its weighings. Nil: the body is the entry's exact JSON.
	Parse func(Arrival) ([]Fact, error)
	// Once says that the destination shows an entry that was delivered twice only once.
	Once bool
	// Few says that another run of the suite sends all 1,000 weighings over the same road, or the full counts do: here it is 100 of them.
	Few bool
	// Within is how long Deliver and Close may take to end when told to. Zero: 5 s.
	Within time.Duration
}

// Arrival is one thing that reached the destination: a message, a file, a request.
type Arrival struct {
	Name string // topic, file name, idempotency key: what the destination tells arrivals apart by
	Body []byte
}

// Run holds the sink to every promise. fresh gives a new, empty destination for each.
func Run(t *testing.T, fresh func(t *testing.T) Harness) {
	for _, p := range promises {
		t.Run(p.name, func(t *testing.T) {
			h := fresh(t)
			if h.Within == 0 {
				h.Within = 5 * time.Second
			}
			if p.needs != nil && !p.needs(h) {
				t.Logf("not tested: this destination cannot show it")
				return
			}
			p.test(t, &h)
		})
	}
}

// open gives a sink that the test closes, if it has not done so itself.
func (h *Harness) open(t *testing.T) sinks.Sink {
	t.Helper()
	s, err := h.Open()
	if err != nil {
		t.Fatalf("open the sink: %v", err)
	}
	c := &closer{Sink: s}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

type closer struct {
	sinks.Sink
	closed bool
}

func (c *closer) Close() error {
	if c.closed {
		return nil
	}
	c.closed = true
	return c.Sink.Close()
}

// all delivers every entry, trying again from where the sink stopped, as package deliver does.
func (h *Harness) all(t *testing.T, s sinks.Sink, entries []record.Entry) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 60*time.Second)
	defer cancel()
	for len(entries) > 0 {
		n, err := h.deliver(ctx, t, s, entries)
		entries = entries[n:]
		if err == nil {
			continue
		}
		var refused sinks.Refused
		if errors.As(err, &refused) {
			t.Fatalf("refused %s: %v", entries[0].ID, err)
		}
		select {
		case <-ctx.Done():
			t.Fatalf("%d entries are still waiting: %v", len(entries), err)
		case <-time.After(2 * time.Millisecond):
		}
	}
}

// deliver calls Deliver once and checks that what it returns agrees with itself.
func (h *Harness) deliver(ctx context.Context, t *testing.T, s sinks.Sink, entries []record.Entry) (int, error) {
	t.Helper()
	n, err := s.Deliver(ctx, entries)
	switch {
	case n < 0 || n > len(entries):
		t.Fatalf("Deliver of %d entries accepted %d", len(entries), n)
	case n < len(entries) && err == nil:
		t.Fatalf("Deliver accepted %d of %d entries and does not say why", n, len(entries))
	}
	return n, err
}

// facts reads everything that arrived, in order.
func (h *Harness) facts(t *testing.T) []Fact {
	t.Helper()
	var list []Fact
	for _, a := range h.Received() {
		parse := h.Parse
		if parse == nil {
			parse = ParseJSON
		}
		f, err := parse(a)
		if err != nil {
			t.Fatalf("%s arrived and cannot be read: %v", a.Name, err)
		}
		list = append(list, f...)
	}
	return list
}
