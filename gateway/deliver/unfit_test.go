package deliver

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// unfit makes of a weighing one of a balance that was out of service.
func unfit(e record.Entry) record.Entry {
	e.JSON = bytes.Replace(e.JSON, []byte(`"state":"unknown"`), []byte(`"state":"out of service","held":true`), 1)
	return e
}

func TestWhatIsHeldForTheBalanceIsReadFromTheEntry(t *testing.T) {
	whole := unfit(sinktest.Weighings(1, 1)[0])
	for text, want := range map[string]bool{
		string(whole.JSON):                                                            true,
		`{"fitness":{"state":"out of service"}}`:                                      false, // the policy mark
		`{"fitness":{"state":"out of service","held":false}}`:                         false,
		`{"context":{"fields":{"held":"true"}},"fitness":{"state":"out of service"}}`: false,
		`{"held":true}`:            false,
		`{"fitness":{"held":"x`:    false,
		`{"fitness":"held"}`:       false,
		`{"fitness":{"held":"x"}}`: false,
	} {
		e := record.Entry{Kind: record.KindWeighing, Balance: "b-01", JSON: []byte(text)}
		c := testConfig()
		if got := HeldAsUnfit(e); got != want || c.Holds(e) != want {
			t.Errorf("%.90s: %v, and a sink holds it %v", text, got, c.Holds(e))
		}
		if e.Kind = record.KindUnread; HeldAsUnfit(e) {
			t.Errorf("%.90s holds back what is no weighing", text)
		}
	}
}

// TestEverySinkHoldsBackWhatABalanceOutOfServicePrinted: also one that holds nothing back by itself; a release lets it go, marked as late,
// and what is released for another sink does not come here again.
func TestEverySinkHoldsBackWhatABalanceOutOfServicePrinted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		list := sinktest.Weighings(5, 1)
		list[1], list[3] = unfit(list[1]), unfit(list[3])
		l := newLog(list...)
		r := start(t, l, &fakeSink{})
		synctest.Wait()
		if got := r.sink.got(); !slices.Equal(got, ids([]record.Entry{l.entries[0], l.entries[2], l.entries[4]})) || l.place() != 5 || r.Status().Held != 2 || r.Status().Lag != 0 {
			t.Errorf("before any release %v, cursor %d, %+v", got, l.place(), r.Status())
		}
		l.release(t, l.entries[0], l.entries[3]) // the first only another sink held back
		synctest.Wait()
		if got := r.sink.took[3:]; len(got) != 1 || got[0].ID != l.entries[3].ID || !got[0].Late {
			t.Errorf("after the release %+v", got)
		}
		l.release(t, l.entries[3])
		synctest.Wait()
		if len(r.sink.took) != 4 || l.place() != l.Head() {
			t.Errorf("%d arrived, cursor %d of %d", len(r.sink.took), l.place(), l.Head())
		}
		r.stop(t)
	})
}

func TestClosedBatchesLeaveOutWhatABalanceOutOfServicePrinted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		list := sinktest.Weighings(6, 3)
		list[1] = unfit(list[1])
		s, l := newBoxes(), newLog(list...)
		r := start(t, l, s, closedBy("4"))
		synctest.Wait()
		if names, got := s.contents(); len(names) != 1 || !slices.Equal(got, ids([]record.Entry{l.entries[0], l.entries[2], l.entries[3], l.entries[4]})) {
			t.Errorf("%v with %v", names, got)
		}
		l.release(t, l.entries[1])
		l.follow(sinktest.Weighings(2, 4)...)
		synctest.Wait()
		if names, got := s.contents(); len(names) != 2 || len(got) != 8 || got[5] != l.entries[1].ID {
			t.Errorf("then %v with %v", names, got)
		}
		r.stop(t)
	})
}

// TestUnfitAtRandom: with crashes and releases of any entries, what is not held arrives at once and is not late, and of what is held each
// that was released arrives late, and no other.
func TestUnfitAtRandom(t *testing.T) {
	for seed := range uint64(5) {
		synctest.Test(t, func(t *testing.T) { unfitRun(t, seed) })
	}
}

func unfitRun(t *testing.T, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 23))
	s, l := &fakeSink{}, newLog()
	small := func(c *Config, _ *Deps) { c.BatchSize = 1 + int(seed%7) }
	r := start(t, l, s, small)
	held, released := map[string]bool{}, map[string]bool{}
	var all []record.Entry
	for i, e := range sinktest.Weighings(80, seed) {
		if rng.IntN(3) == 0 {
			e, held[e.ID] = unfit(e), true
		}
		if all = append(all, l.follow(e)...); i%9 == 8 {
			var some []record.Entry
			for range 1 + rng.IntN(9) {
				e := all[rng.IntN(len(all))]
				some, released[e.ID] = append(some, e), true
			}
			l.release(t, some...)
			time.Sleep(time.Second)
			synctest.Wait()
		}
		if rng.IntN(12) == 0 { // a crash
			r.stop(t)
			l.locked(func() { l.cursor = l.durable })
			r = start(t, l, s, small)
		}
	}
	time.Sleep(time.Hour)
	synctest.Wait()
	r.stop(t)
	arrived := map[string]bool{}
	for _, e := range s.took {
		if arrived[e.ID] = true; e.Late != held[e.ID] || held[e.ID] && !released[e.ID] {
			t.Fatalf("seed %d: %s arrived, late %v, held %v, released %v", seed, e.ID, e.Late, held[e.ID], released[e.ID])
		}
	}
	for _, e := range all {
		if want := !held[e.ID] || released[e.ID]; arrived[e.ID] != want {
			t.Fatalf("seed %d: %s arrived: %v, want %v", seed, e.ID, arrived[e.ID], want)
		}
	}
	if len(held) == 0 || len(released) == 0 {
		t.Fatal(fmt.Sprint("seed ", seed, ": nothing was held or released"))
	}
}
