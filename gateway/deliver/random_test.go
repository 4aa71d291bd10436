package deliver

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// TestEverythingIsDeliveredOrParked lets a destination fail in every way at random, kills the Runner now and then with the
// cursor put back to where it was last written, and then looks at the far side only.
func TestEverythingIsDeliveredOrParked(t *testing.T) {
	for seed := range uint64(60) {
		synctest.Test(t, func(t *testing.T) { randomRun(t, seed) })
	}
}

func randomRun(t *testing.T, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 7))
	entries := sinktest.Weighings(200, seed)
	poison := make(map[string]bool)
	for range rng.IntN(refusalsToStop) {
		poison[entries[rng.IntN(200)].ID] = true
	}
	s := &fakeSink{}
	far := rand.New(rand.NewPCG(seed, 8)) // the sink's own: it runs beside the test
	s.takes(func(ctx context.Context, batch []record.Entry) (int, error) {
		n := far.IntN(len(batch) + 1)
		for i, e := range batch[:n] {
			if poison[e.ID] {
				return i, sinks.Refused{Err: errors.New("unknown lot")}
			}
		}
		switch k := far.IntN(10); {
		case n == len(batch):
			return n, nil
		case k == 0:
			return n, sinks.Busy{Err: errors.New("later"), After: time.Duration(far.IntN(300)) * time.Second}
		case k == 1:
			return n, sinks.Unusable{Err: errors.New("who are you")}
		case k == 2:
			<-ctx.Done()
			return n, ctx.Err()
		case k == 3:
			panic("oh")
		}
		return n, errors.New("cut")
	})

	l := newLog()
	r := start(t, l, s)
	for next := 0; next < len(entries); {
		size := min(1+rng.IntN(30), len(entries)-next)
		batch := slices.Clone(entries[next : next+size])
		l.locked(func() { // sequences follow on what the Runner recorded itself
			for i := range batch {
				batch[i].Seq = uint64(len(l.entries) + 1)
				l.entries = append(l.entries, batch[i])
			}
		})
		next += size
		time.Sleep(time.Duration(rng.IntN(120)) * time.Second)
		synctest.Wait()
		switch rng.IntN(4) {
		case 0: // a crash: what was not written is forgotten
			r.stop(t)
			l.locked(func() { l.cursor = l.durable })
			r = start(t, l, s)
		case 1:
			l.locked(func() { l.durable = l.cursor })
		}
	}
	time.Sleep(24 * time.Hour)
	synctest.Wait()
	r.stop(t)
	judgeRun(t, seed, entries, s, l)
}

func judgeRun(t *testing.T, seed uint64, entries []record.Entry, s *fakeSink, l *fakeLog) {
	seen := make(map[string]bool)
	last := make(map[string]string)
	for _, e := range s.took {
		if !seen[e.ID] && e.ID < last[e.Balance] { // numbers have six digits: ids of a balance sort as they were made
			t.Fatalf("seed %d: %s arrived first after %s", seed, e.ID, last[e.Balance])
		}
		if !seen[e.ID] {
			last[e.Balance] = e.ID
		}
		seen[e.ID] = true
	}
	for _, e := range entries {
		if !seen[e.ID] && !slices.Contains(l.parked, e.ID) {
			t.Fatalf("seed %d: %s is neither delivered nor parked (cursor %d of %d)", seed, e.ID, l.cursor, len(l.entries))
		}
	}
}
