package deliver

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func holding(c *Config, _ *Deps) { c.Hold = Released }

// releases makes an entry that lets others go.
func releases(l *fakeLog, entries ...record.Entry) *record.HeldReleased {
	body := &record.HeldReleased{By: record.Actor{ID: "bea", By: record.ActorHost}, Stamp: record.Stamp{UTC: record.UTC(time.Now())}}
	for _, e := range entries {
		body.Entries = append(body.Entries, record.EntryRef{Seq: e.Seq, ID: e.ID})
	}
	return body
}

func (l *fakeLog) release(t *testing.T, entries ...record.Entry) {
	t.Helper()
	if _, err := l.Append(context.Background(), releases(l, entries...)); err != nil {
		t.Fatal(err)
	}
}

// follow gives entries the sequences that follow, as the intake would.
func (l *fakeLog) follow(entries ...record.Entry) (placed []record.Entry) {
	l.locked(func() {
		for _, e := range entries {
			e.Seq = uint64(len(l.entries) + 1)
			l.entries, placed = append(l.entries, e), append(placed, e)
		}
	})
	return placed
}

func TestHeldEntriesGoOutWithTheirRelease(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog(sinktest.Weighings(5, 1)...)
		other := record.Entry{Kind: record.KindUnread, ID: "u", JSON: []byte(`{}`)}
		l.follow(other)
		r := start(t, l, &fakeSink{}, holding, func(c *Config, _ *Deps) {
			c.Entries = []string{"weighing", "result", "unread", "held-released"}
		})
		synctest.Wait()
		if got := r.sink.got(); !slices.Equal(got, []string{"u"}) || l.place() != 6 || r.Status().Lag != 0 || r.Status().Held != 5 {
			t.Errorf("before any release: %v, cursor %d, %+v", got, l.place(), r.Status())
		}
		l.release(t, l.entries[1], l.entries[3])
		synctest.Wait()
		got := r.sink.took[1:]
		if len(got) != 3 || got[0].Seq != 2 || !got[0].Late || got[1].Seq != 4 || !got[1].Late || got[2].Kind != record.KindHeldReleased || got[2].Late {
			t.Errorf("after a release: %+v", got)
		}
		// Released twice is delivered once.
		l.release(t, l.entries[3], l.entries[4], l.entries[4])
		synctest.Wait()
		if got := r.sink.got()[4:]; len(got) != 2 || got[0] != l.entries[4].ID {
			t.Errorf("after the second release: %v", got)
		}
		r.stop(t)
	})
}

// TestAReleaseCountsOnlyForWhatTheSinkWants: other balances, other ids, entries that are no weighings.
func TestAReleaseCountsOnlyForWhatTheSinkWants(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog(sinktest.Weighings(8, 1)...)
		l.follow(record.Entry{Kind: record.KindUnread, ID: "u", JSON: []byte(`{}`)})
		wrong := l.entries[0]
		wrong.ID = "north-seed-bank/7qx3/b-01/999999"
		l.release(t, append([]record.Entry{wrong}, l.entries[1:]...)...)
		r := start(t, l, &fakeSink{}, holding, func(c *Config, _ *Deps) { c.Balances = []string{l.entries[0].Balance} })
		synctest.Wait()
		for _, e := range r.sink.took {
			if e.Balance != l.entries[0].Balance || e.ID == wrong.ID || !e.Kind.Numbered() {
				t.Errorf("%s of %s arrived", e.ID, e.Balance)
			}
		}
		if len(r.sink.took) == 0 || l.place() != l.Head() {
			t.Errorf("%d arrived, cursor %d of %d", len(r.sink.took), l.place(), l.Head())
		}
		r.stop(t)
	})
}

// TestHoldingAtRandom: releases of few and of many, before and after the cursor came to them, with refusals, faults and crashes.
// All that was released arrives late or is parked, nothing else of it does, and what is no weighing never waits.
func TestHoldingAtRandom(t *testing.T) {
	for seed := range uint64(20) {
		synctest.Test(t, func(t *testing.T) { holdRun(t, seed) })
	}
}

func holdRun(t *testing.T, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 17))
	s, l := &fakeSink{}, newLog()
	far := rand.New(rand.NewPCG(seed, 18))
	s.takes(func(_ context.Context, batch []record.Entry) (int, error) {
		n := far.IntN(len(batch) + 1)
		if n < len(batch) && far.IntN(30) == 0 {
			return n, sinks.Refused{Err: errors.New("unknown lot")}
		}
		if n < len(batch) {
			return n, errors.New("cut")
		}
		return n, nil
	})
	small := func(c *Config, _ *Deps) { c.BatchSize = 1 + int(seed%7); c.Entries = []string{"weighing", "unread"} }
	released := map[string]bool{}
	var weighings, others []record.Entry
	source := sinktest.Weighings(120, seed)
	r := start(t, l, s, holding, small)
	for len(source) > 0 {
		n := min(1+rng.IntN(10), len(source))
		weighings = append(weighings, l.follow(source[:n]...)...)
		source = source[n:]
		others = append(others, l.follow(record.Entry{Kind: record.KindUnread, ID: fmt.Sprint("u", len(others)), JSON: []byte(`{}`)})...)
		if rng.IntN(2) == 0 {
			var some []record.Entry
			for range rng.IntN(30) {
				e := weighings[rng.IntN(len(weighings))]
				some, released[e.ID] = append(some, e), true
			}
			l.release(t, some...)
		}
		time.Sleep(time.Duration(rng.IntN(60)) * time.Second)
		synctest.Wait()
		switch rng.IntN(4) {
		case 0: // a crash
			r.stop(t)
			l.locked(func() { l.cursor = l.durable })
			r = start(t, l, s, holding, small)
		case 1:
			l.locked(func() { l.durable = l.cursor })
		}
	}
	s.takes(nil)
	time.Sleep(24 * time.Hour)
	synctest.Wait()
	r.stop(t)
	arrived := map[string]bool{}
	for _, e := range s.took {
		if arrived[e.ID] = true; e.Kind.Numbered() && (!e.Late || !released[e.ID]) {
			t.Fatalf("seed %d: %s arrived, late %v, released %v", seed, e.ID, e.Late, released[e.ID])
		}
	}
	for id := range released {
		if !arrived[id] && !slices.Contains(l.parked, id) {
			t.Fatalf("seed %d: %s was released, and is neither delivered nor parked", seed, id)
		}
	}
	for _, e := range others {
		if !arrived[e.ID] && !slices.Contains(l.parked, e.ID) {
			t.Fatalf("seed %d: %s is neither delivered nor parked", seed, e.ID)
		}
	}
}

// TestWhatWasRefusedAndGivenUpDoesNotComeAgain: within a release, over a restart that comes before the rest of it has arrived.
func TestWhatWasRefusedAndGivenUpDoesNotComeAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := &fakeSink{}, newLog(sinktest.Weighings(6, 1)...)
		l.release(t, l.entries[:6]...)
		s.takes(func(_ context.Context, batch []record.Entry) (int, error) {
			for i, e := range batch {
				if e.Seq == 2 {
					return i, sinks.Refused{Err: errors.New("unknown lot")}
				}
				if e.Seq == 4 {
					return i, errors.New("cut")
				}
			}
			return len(batch), nil
		})
		r := start(t, l, s, holding)
		synctest.Wait()
		if err := r.Drop(t.Context(), []uint64{2}, r.acted(true, 2)); err != nil {
			t.Fatal(err)
		}
		r.stop(t)
		s.takes(nil)
		before := len(s.got())
		r = start(t, l, s, holding)
		synctest.Wait()
		// The third was taken after what is kept, and comes again; the second does not.
		if got := s.got()[before:]; !slices.Equal(got, ids(l.entries[2:6])) || l.place() != l.Head() {
			t.Errorf("after the restart %v, cursor %d of %d", got, l.place(), l.Head())
		}
		r.stop(t)
	})
}
