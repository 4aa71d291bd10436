package deliver

import (
	"context"
	"encoding/json"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// acted is the body of an act about parked entries, as whoever looks at the list makes it.
func (r *rig) acted(dropped bool, seqs ...uint64) *record.ParkedActed {
	p := &record.ParkedActed{Dropped: dropped, Sink: "archive", Reason: "a test", By: record.Actor{ID: "ada", By: record.ActorHost}}
	for _, a := range r.log.aside {
		if slices.Contains(seqs, a.Entry) {
			p.Entries = append(p.Entries, record.ParkedRef{Seq: a.Entry, ID: r.log.entries[a.Entry-1].ID, Notice: a.Notice})
		}
	}
	return p
}

func TestAParkedEntryIsDeliveredAgainWithTheSameBytes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(6, 1)
		s := &fakeSink{}
		s.takes(refuses(entries[1].ID, entries[4].ID))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		s.takes(refuses(entries[4].ID)) // the lot of the other one is known by now
		if err := r.Retry(t.Context(), []uint64{2, 5}, r.acted(false, 2, 5)); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		last := s.took[len(s.took)-1]
		if last.ID != entries[1].ID || !last.Late || string(last.JSON) != string(entries[1].JSON) {
			t.Errorf("came last: %s, late %v", last.ID, last.Late)
		}
		for _, e := range s.took[:len(s.took)-1] {
			if e.Late {
				t.Errorf("%s is said to be late", e.ID)
			}
		}
		if !slices.Equal(r.log.parked, []string{entries[4].ID}) {
			t.Errorf("parked: %v", r.log.parked)
		}
		// What was refused again says so anew, and the sink goes on.
		if kinds := r.log.kinds(6); !slices.Equal(kinds, []record.Kind{record.KindParked, record.KindParked, record.KindParkedRetried, record.KindParked}) {
			t.Errorf("recorded %v", kinds)
		}
		if st := r.Status(); st.Parked != 1 || st.State != Working || !strings.Contains(st.LastError, "unknown lot") {
			t.Errorf("status %+v", st)
		}
		s.takes(nil)
		if err := r.Retry(t.Context(), []uint64{5}, r.acted(false, 5)); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if len(r.log.aside) != 0 || len(r.conditions()) != 0 || r.Status().Parked != 0 {
			t.Errorf("after all arrived: %v, %v, %+v", r.log.aside, r.conditions(), r.Status())
		}
		r.stop(t)
	})
}

// TestManyRefusedAgainDoNotStopTheSink: somebody tries many that were refused, and all are refused again.
func TestManyRefusedAgainDoNotStopTheSink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(40, 1)
		s := &fakeSink{}
		var bad []string
		var seqs []uint64
		for i := 0; i < len(entries); i += 2 {
			bad, seqs = append(bad, entries[i].ID), append(seqs, entries[i].Seq)
		}
		s.takes(refuses(bad...))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		if err := r.Retry(t.Context(), seqs, r.acted(false, seqs...)); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if st := r.Status(); st.State != Working || st.Parked != 20 || len(r.log.aside) != 20 {
			t.Errorf("status %+v", st)
		}
		r.log.add(record.Entry{Seq: r.log.Head() + 1, Kind: record.KindWeighing, ID: "new", Balance: "b", JSON: []byte(`{}`)})
		synctest.Wait()
		if got := s.got(); got[len(got)-1] != "new" {
			t.Errorf("what came after was not delivered: %v", got)
		}
		r.stop(t)
	})
}

func TestADroppedEntryIsNeverDelivered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(6, 1)
		s := &fakeSink{}
		s.takes(refuses(entries[1].ID, entries[4].ID))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		s.takes(func(context.Context, []record.Entry) (int, error) { return 0, errors.New("away") })
		r.log.add(record.Entry{Seq: r.log.Head() + 1, Kind: record.KindWeighing, ID: "new", Balance: "b", JSON: []byte(`{}`)})
		synctest.Wait()
		if err := r.Retry(t.Context(), []uint64{2, 5}, r.acted(false, 2, 5)); err != nil {
			t.Fatal(err)
		}
		if err := r.Drop(t.Context(), []uint64{2}, r.acted(true, 2)); err != nil { // the sink is away: nothing is under way
			t.Fatal(err)
		}
		if st := r.Status(); st.Parked != 1 {
			t.Errorf("status %+v", st)
		}
		s.takes(nil)
		time.Sleep(time.Hour)
		synctest.Wait()
		if got := s.got(); slices.Contains(got, entries[1].ID) || !slices.Contains(got, entries[4].ID) || len(r.log.aside) != 0 {
			t.Errorf("delivered %v, set aside %v", got, r.log.aside)
		}
		r.stop(t)
	})
}

func TestWhatIsWithTheSinkCannotBeDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(2, 1)
		s := &fakeSink{}
		s.takes(refuses(entries[0].ID))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		hold := make(chan struct{})
		s.takes(func(_ context.Context, batch []record.Entry) (int, error) { <-hold; return len(batch), nil })
		if err := r.Retry(t.Context(), []uint64{1}, r.acted(false, 1)); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		var way *OnItsWay
		head := r.log.Head()
		if err := r.Drop(t.Context(), []uint64{1}, r.acted(true, 1)); !errors.As(err, &way) || r.log.Head() != head {
			t.Errorf("dropped what is with the sink: %v", err)
		}
		close(hold)
		synctest.Wait()
		if len(r.log.aside) != 0 {
			t.Errorf("set aside: %v", r.log.aside)
		}
		r.stop(t)
	})
}

// TestWhatWasAskedForIsDeliveredAfterARestart: the journal holds the wish.
func TestWhatWasAskedForIsDeliveredAfterARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(3, 1)
		s := &fakeSink{}
		s.takes(refuses(entries[0].ID, entries[2].ID))
		l := newLog(entries...)
		r := start(t, l, s)
		synctest.Wait()
		s.takes(func(context.Context, []record.Entry) (int, error) { return 0, errors.New("away") })
		if err := r.Retry(t.Context(), []uint64{1}, r.acted(false, 1)); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if st := r.Status(); st.Parked != 2 || st.State != Retrying || st.NextTry.IsZero() {
			t.Errorf("while it is away: %+v", st)
		}
		r.stop(t)
		s = &fakeSink{}
		r = start(t, l, s)
		synctest.Wait()
		if got := s.got(); !slices.Equal(got, []string{entries[0].ID}) || len(l.aside) != 1 || l.aside[0].Entry != 3 {
			t.Errorf("after a restart: delivered %v, set aside %v", got, l.aside)
		}
		r.stop(t)
	})
}

func TestTryNowEndsAWait(t *testing.T) {
	for name, wrong := range map[string]error{
		Stopped: sinks.Unusable{Err: errors.New("wrong password")}, Retrying: errors.New("away"),
		Waiting: sinks.Busy{Err: errors.New("later"), After: time.Hour},
	} {
		synctest.Test(t, func(t *testing.T) {
			entries := sinktest.Weighings(3, 1)
			s := &fakeSink{}
			s.takes(func(context.Context, []record.Entry) (int, error) { return 0, wrong })
			r := start(t, newLog(entries...), s)
			synctest.Wait()
			if st := r.Status(); st.State != name || st.NextTry.IsZero() || st.BehindSince.IsZero() || st.LastError == "" {
				t.Errorf("%s: %+v", name, st)
			}
			s.takes(nil)
			begin := time.Now()
			if err := r.TryNow(); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
			if st := r.Status(); st.State != Working || st.Lag > 1 || !st.NextTry.IsZero() || time.Since(begin) != 0 {
				t.Errorf("%s, tried at once: %+v after %s", name, st, time.Since(begin))
			}
			r.stop(t)
			if err := r.TryNow(); !errors.Is(err, ErrNotDelivering) {
				t.Errorf("after its end: %v", err)
			}
		})
	}
}

func TestTryNowSendsWhatWaitsForMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		r := start(t, newLog(sinktest.Weighings(3, 1)...), s, func(c *Config, _ *Deps) { c.BatchAge = 3600e9 })
		synctest.Wait()
		if len(s.got()) != 0 {
			t.Fatal("it did not wait")
		}
		if err := r.TryNow(); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if len(s.got()) != 3 {
			t.Errorf("delivered %v", s.got())
		}
		r.stop(t)
	})
}

// TestDecisionsAtRandom retries and drops at random while the destination fails, the journal is full now and then, and the Runner is
// killed with what was not written forgotten. At the end each entry was delivered, or is parked, or an entry says that it was
// dropped; and what was dropped did not arrive after that.
func TestDecisionsAtRandom(t *testing.T) {
	first := uint64(time.Now().UnixNano())
	t.Logf("seeds from %d", first)
	var dropped, parked int
	for seed := first; seed < first+30; seed++ {
		synctest.Test(t, func(t *testing.T) {
			d, p := decideAtRandom(t, seed)
			dropped, parked = dropped+d, parked+p
		})
	}
	if dropped == 0 || parked == 0 { // a seed by itself may well show none
		t.Errorf("%d dropped, %d parked: the dice show nothing", dropped, parked)
	}
}

func decideAtRandom(t *testing.T, seed uint64) (dropped, parked int) {
	rng, far := rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2))
	s, l := &fakeSink{}, newLog()
	s.takes(func(_ context.Context, batch []record.Entry) (int, error) {
		for i, e := range batch {
			switch far.IntN(12) {
			case 0, 1, 2:
				if e.Seq%3 == 0 {
					return i, sinks.Refused{Err: errors.New("unknown lot")}
				}
			case 3:
				return i, errors.New("cut")
			case 4:
				return i, sinks.Unusable{Err: errors.New("who are you")}
			}
		}
		return len(batch), nil
	})
	gone := map[string]int{} // dropped, and how many arrivals there were then
	var all []record.Entry
	r := start(t, l, s)
	for round := range 40 {
		for _, e := range sinktest.Weighings(1+rng.IntN(6), seed+uint64(round)) {
			l.locked(func() {
				e.Seq = uint64(len(l.entries) + 1)
				e.ID = record.EntryID("north-seed-bank", "7qx3", e.Balance, e.Seq)
				l.entries, all = append(l.entries, e), append(all, e)
			})
		}
		time.Sleep(time.Duration(rng.IntN(400)) * time.Second)
		synctest.Wait()
		aside, _ := l.Parked("")
		rng.Shuffle(len(aside), func(i, j int) { aside[i], aside[j] = aside[j], aside[i] })
		var seqs []uint64
		for _, p := range aside[:rng.IntN(len(aside)+1)] {
			seqs = append(seqs, p.Entry)
		}
		full := rng.IntN(5) == 0
		l.locked(func() { l.full = full })
		if len(seqs) > 0 && rng.IntN(2) == 0 {
			_ = r.Retry(t.Context(), seqs, r.acted(false, seqs...))
		} else if len(seqs) > 0 {
			if err := r.Drop(t.Context(), seqs, r.acted(true, seqs...)); err == nil {
				for _, seq := range seqs {
					gone[l.entries[seq-1].ID] = len(s.got())
				}
			}
		}
		l.locked(func() { l.full = false })
		if rng.IntN(4) == 0 {
			r.stop(t)
			l.locked(func() { l.cursor = l.durable })
			r = start(t, l, s)
		}
	}
	s.takes(nil)
	time.Sleep(24 * time.Hour)
	synctest.Wait()
	r.stop(t)
	return judgeDecisions(t, seed, all, gone, s, l), len(l.parked)
}

// judgeDecisions says how many were dropped.
func judgeDecisions(t *testing.T, seed uint64, all []record.Entry, gone map[string]int, s *fakeSink, l *fakeLog) int {
	t.Helper()
	dropped := map[string]bool{}
	for _, e := range l.entries {
		var p record.ParkedActed
		if e.Kind == record.KindParkedDropped && json.Unmarshal(e.JSON, &p) == nil {
			for _, ref := range p.Entries {
				dropped[ref.ID] = true
			}
		}
	}
	seen := map[string]bool{}
	for i, id := range s.got() {
		seen[id] = true
		if at, ended := gone[id]; ended && i >= at {
			t.Fatalf("seed %d: %s arrived after it was dropped", seed, id)
		}
	}
	for _, e := range all {
		if !seen[e.ID] && !dropped[e.ID] && !slices.Contains(l.parked, e.ID) {
			t.Fatalf("seed %d: %s was not delivered and is neither parked nor dropped", seed, e.ID)
		}
	}
	return len(dropped)
}
