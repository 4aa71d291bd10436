package deliver

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// boxSink takes closed batches and keeps what is in each, as a folder of files would: a name that comes again replaces what it had.
type boxSink struct {
	fakeSink
	boxes  map[string][]string // name → ids
	names  []string            // in the order in which they first appeared
	times  map[string]int
	before func(ctx context.Context, b sinks.Batch) ([]sinks.LeftOut, error) // nil: takes everything
	after  func() error                                                      // what goes wrong once the batch is there
}

func newBoxes() *boxSink { return &boxSink{boxes: map[string][]string{}, times: map[string]int{}} }

func (s *boxSink) Collect(ctx context.Context, b sinks.Batch) (left []sinks.LeftOut, err error) {
	s.mu.Lock()
	before, after := s.before, s.after
	s.mu.Unlock()
	if before != nil {
		if left, err = before(ctx, b); err != nil {
			return nil, err
		}
	}
	var ids []string
	for e, err := range b.Entries {
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(left, func(l sinks.LeftOut) bool { return l.Entry.ID == e.ID }) {
			ids = append(ids, e.ID)
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.times[b.Name]++; s.times[b.Name] == 1 {
		s.names = append(s.names, b.Name)
	} else if !slices.Equal(s.boxes[b.Name], ids) {
		return nil, sinks.Unusable{Err: fmt.Errorf("batch %s came again with other entries", b.Name)}
	}
	s.boxes[b.Name] = ids
	if after != nil {
		return left, after()
	}
	return left, nil
}

func (s *boxSink) contents() (names []string, ids []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, name := range s.names {
		ids = append(ids, s.boxes[name]...)
	}
	return slices.Clone(s.names), ids
}

// stamped is a weighing that says when it happened.
func stamped(n int, at time.Time) record.Entry {
	utc, _ := record.UTC(at).MarshalJSON()
	return record.Entry{Kind: record.KindWeighing, ID: fmt.Sprintf("north-seed-bank/7qx3/b-01/%06d", n), Balance: "b-01",
		JSON: fmt.Appendf(nil, `{"stamp":{"utc":%s}}`, utc)}
}

func closedBy(what string) func(*Config, *Deps) {
	return func(c *Config, d *Deps) { c.Closed, d.Destination = what, "folder /srv/seeds" }
}

// atBegin is when a bubble's clock begins: midnight, 2000-01-01 UTC.
func atBegin() time.Time { return time.Now().UTC().Truncate(24 * time.Hour) }

func TestAnHourIsClosedOnceItIsOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		zero, s := atBegin(), newBoxes()
		l := newLog()
		r := start(t, l, s, closedBy("hour"))
		l.follow(stamped(1, zero.Add(10*time.Minute)), stamped(2, zero.Add(50*time.Minute)))
		time.Sleep(time.Hour + settling - time.Second)
		synctest.Wait()
		if names, _ := s.contents(); len(names) != 0 || r.Status().BehindSince != zero.Add(10*time.Minute) || l.place() != 0 {
			t.Errorf("within the hour: %v, %+v, cursor %d", names, r.Status(), l.place())
		}
		time.Sleep(2 * time.Second)
		synctest.Wait()
		if names, ids := s.contents(); !slices.Equal(names, []string{"2000-01-01T00"}) || len(ids) != 2 || l.place() != 2 || r.Status().Delivered != 2 {
			t.Errorf("after the hour: %v of %v, cursor %d", names, ids, l.place())
		}
		// Hours in which nothing happens have no batch, and one of them is closed by what comes after it, at once.
		time.Sleep(6*time.Hour - settling)
		l.follow(stamped(3, zero.Add(6*time.Hour)), stamped(4, zero.Add(7*time.Hour)))
		synctest.Wait()
		if names, _ := s.contents(); !slices.Equal(names[1:], []string{"2000-01-01T06"}) {
			t.Errorf("after a pause: %v", names)
		}
		r.stop(t)
	})
}

func TestADayIsClosedAndNamedByUTC(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		zero, s, l := atBegin(), newBoxes(), newLog()
		var all []record.Entry
		for i := range 600 {
			all = append(all, stamped(i, zero.Add(time.Duration(i)*12*time.Minute)))
		}
		l.follow(all...)
		time.Sleep(600*12*time.Minute + time.Second) // the daemon starts five days late, at midnight
		r := start(t, l, s, closedBy("day"))
		synctest.Wait()
		names, got := s.contents()
		if !slices.Equal(names, []string{"2000-01-01", "2000-01-02", "2000-01-03", "2000-01-04"}) || !slices.Equal(got, ids(all[:480])) {
			t.Errorf("%v with %d entries", names, len(got))
		}
		time.Sleep(settling)
		synctest.Wait()
		if names, got := s.contents(); len(names) != 5 || len(got) != 600 {
			t.Errorf("a while later: %v with %d", names, len(got))
		}
		r.stop(t)
	})
}

func TestSoManyEntriesCloseABatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newBoxes()
		l := newLog(sinktest.Weighings(1234, 3)...)
		r := start(t, l, s, closedBy("500"))
		synctest.Wait()
		names, got := s.contents()
		if !slices.Equal(names, []string{"000001-000500", "000501-001000"}) || !slices.Equal(got, ids(l.entries[:1000])) || l.place() != 1000 {
			t.Errorf("%v with %d, cursor %d", names, len(got), l.place())
		}
		l.follow(sinktest.Weighings(266, 4)...)
		synctest.Wait()
		if names, got := s.contents(); len(names) != 3 || len(got) != 1500 {
			t.Errorf("then %v with %d", names, len(got))
		}
		r.stop(t)
	})
}

// TestClocksThatAreWrong: entries a moment earlier than their neighbours stay with them; a clock that was set back makes a batch of its
// own with a name of its own; one that was a year ahead holds nothing up afterwards.
func TestClocksThatAreWrong(t *testing.T) {
	zero := atBegin()
	at := func(d time.Duration) time.Time { return zero.Add(d) }
	h := time.Hour
	for name, c := range map[string]struct {
		stamps []time.Duration
		want   []string
	}{
		"a moment earlier":    {[]time.Duration{h - 1, h, h - time.Second, h + 1, 2 * h}, []string{"T00 1", "T01 3", "T02 1"}},
		"an hour back":        {[]time.Duration{2 * h, h + 1, h + 2, 2*h + 1, 3 * h}, []string{"T02 1", "T01-000002 2", "T02-000004 1", "T03 1"}},
		"a year ahead":        {[]time.Duration{0, 8784 * h, 1, h, 2 * h}, []string{"T00 1", "T00 1", "T00-000003 1", "T01-000004 1", "T02-000005 1"}},
		"a year ahead, last":  {[]time.Duration{0, 8784 * h}, []string{"T00 1", "T00 1"}},
		"several hours apart": {[]time.Duration{0, 5 * h, 9 * h}, []string{"T00 1", "T05 1", "T09 1"}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				zero = atBegin()
				s, l := newBoxes(), newLog()
				for i, d := range c.stamps {
					l.follow(stamped(i, at(d)))
				}
				r := start(t, l, s, closedBy("hour"))
				time.Sleep(24 * time.Hour)
				synctest.Wait()
				names, _ := s.contents()
				var got []string
				for _, n := range names {
					_, hour, _ := strings.Cut(n, "T")
					got = append(got, fmt.Sprintf("T%s %d", hour, len(s.boxes[n])))
				}
				if !slices.Equal(got, c.want) || l.place() != l.Head() {
					t.Errorf("%v of %v, want %v; cursor %d of %d", got, names, c.want, l.place(), l.Head())
				}
				r.stop(t)
			})
		})
	}
}

// TestWhatABatchLeavesOutIsParked, also where weighpost ends between the batch and the notice.
func TestWhatABatchLeavesOutIsParked(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := newBoxes(), newLog(sinktest.Weighings(10, 3)...)
		s.before = func(context.Context, sinks.Batch) ([]sinks.LeftOut, error) {
			return []sinks.LeftOut{{Entry: l.entries[2], Err: errors.New("no unit")}, {Entry: l.entries[7], Err: errors.New("no unit")}}, nil
		}
		r := start(t, l, s, closedBy("10"))
		synctest.Wait()
		if _, got := s.contents(); len(got) != 8 || !slices.Equal(l.parked, []string{l.entries[2].ID, l.entries[7].ID}) ||
			r.Status().Parked != 2 || r.Status().Delivered != 8 || l.place() != 12 {
			t.Errorf("%d in the batch, parked %v, %+v", len(got), l.parked, r.Status())
		}
		r.stop(t)
	})
}

func TestABatchOfNothingStopsTheSink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := newBoxes(), newLog(sinktest.Weighings(10, 3)...)
		s.before = func(_ context.Context, b sinks.Batch) (left []sinks.LeftOut, err error) {
			for e := range b.Entries {
				left = append(left, sinks.LeftOut{Entry: e, Err: errors.New("no table")})
			}
			return left, nil
		}
		r := start(t, l, s, closedBy("10"))
		synctest.Wait()
		if st := r.Status(); st.State != Stopped || !strings.Contains(st.Why, "none of the 10 entries of batch 000001-000010") || len(l.parked) != 0 {
			t.Errorf("%+v, parked %v", st, l.parked)
		}
		r.stop(t)
	})
}

// TestAHangingBatchIsGivenUp: a sink that takes nothing for as long as the deadline is cut off, and one that is slow but gets on is not.
func TestAHangingBatchIsGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := newBoxes(), newLog(sinktest.Weighings(10, 3)...)
		var hang atomic.Bool
		hang.Store(true)
		s.before = func(ctx context.Context, b sinks.Batch) ([]sinks.LeftOut, error) {
			for range b.Entries {
				select {
				case <-time.After(20 * time.Second): // 200 s in all, and 30 s is the deadline
				case <-ctx.Done():
					return nil, ctx.Err()
				}
			}
			if hang.Load() {
				<-ctx.Done()
				return nil, ctx.Err()
			}
			return nil, nil
		}
		r := start(t, l, s, closedBy("10"))
		time.Sleep(250 * time.Second)
		if st := r.Status(); st.State != Retrying || !strings.Contains(st.Why, "took nothing for 30s") {
			t.Errorf("%+v", st)
		}
		hang.Store(false)
		time.Sleep(10 * time.Minute)
		synctest.Wait()
		if names, _ := s.contents(); len(names) != 1 {
			t.Errorf("%v, %+v", names, r.Status())
		}
		r.stop(t)
	})
}

// TestBatchesAtRandom: hours with faults before and after the batch is there, refused entries, pauses of hours, releases, and crashes
// with the cursor put back to where it was last written. At the far end nothing is missing, twice, or in another batch than before.
func TestBatchesAtRandom(t *testing.T) {
	for seed := range uint64(20) {
		synctest.Test(t, func(t *testing.T) { batchRun(t, seed) })
	}
}

func batchRun(t *testing.T, seed uint64) {
	rng := rand.New(rand.NewPCG(seed, 27))
	far := rand.New(rand.NewPCG(seed, 28))
	s, l := newBoxes(), newLog()
	s.before = func(_ context.Context, b sinks.Batch) (left []sinks.LeftOut, err error) {
		if far.IntN(4) == 0 {
			return nil, errors.New("cut")
		}
		for e, err := range b.Entries {
			if err != nil {
				return nil, err
			}
			if e.ID[len(e.ID)-1] == '7' {
				left = append(left, sinks.LeftOut{Entry: e, Err: errors.New("sevens are not held")})
			}
		}
		return left, nil
	}
	s.after = func() error {
		if far.IntN(4) == 0 {
			return errors.New("the answer got lost")
		}
		return nil
	}
	way := closedBy([]string{"hour", "day", "17"}[seed%3])
	r := start(t, l, s, way)
	var all []record.Entry
	for n := 0; n < 200; {
		for range 1 + rng.IntN(12) {
			n++
			all = append(all, l.follow(stamped(n, time.Now().Add(-time.Duration(rng.IntN(30))*time.Second)))...)
		}
		time.Sleep(time.Duration(rng.IntN(90)) * time.Minute)
		synctest.Wait()
		switch rng.IntN(4) {
		case 0: // a crash
			r.stop(t)
			l.locked(func() { l.cursor = l.durable })
			r = start(t, l, s, way)
		case 1:
			l.locked(func() { l.durable = l.cursor })
		}
	}
	for range 17 {
		all = append(all, l.follow(stamped(1000+len(all), time.Now().Add(48*time.Hour)))...) // so that the last batch but one is closed
	}
	time.Sleep(24 * time.Hour)
	synctest.Wait()
	r.stop(t)
	_, got := s.contents()
	for i, id := range got {
		if slices.Contains(got[:i], id) {
			t.Fatalf("seed %d: %s is in two batches", seed, id)
		}
	}
	for _, e := range all {
		if e.Seq <= l.cursor && !slices.Contains(got, e.ID) && !slices.Contains(l.parked, e.ID) {
			t.Fatalf("seed %d: %s is neither in a batch nor parked (cursor %d)", seed, e.ID, l.cursor)
		}
	}
	if l.cursor < all[len(all)-35].Seq {
		t.Fatalf("seed %d: the cursor stands at %d of %d: %+v", seed, l.cursor, l.Head(), r.Status())
	}
}
