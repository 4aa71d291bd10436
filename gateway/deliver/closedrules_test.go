package deliver

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// TestABatchUnderWayKeepsItsRules: a batch is at the destination and its answer was lost when the configuration gets other rules. It is
// finished with the entries that it had, and what comes after it is chosen by the new rules.
func TestABatchUnderWayKeepsItsRules(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := newBoxes(), newLog(sinktest.Weighings(8, 2)...)
		s.after = func() error { return errors.New("the answer got lost") }
		r := start(t, l, s, closedBy("8"))
		synctest.Wait()
		r.stop(t)
		if names, _ := s.contents(); len(names) != 1 || l.place() != 0 {
			t.Fatalf("%v, cursor %d", names, l.place())
		}
		s.after, s.closed = nil, false
		all := slices.Clone(l.entries)
		of := all[0].Balance
		r = start(t, l, s, closedBy("8"), func(c *Config, _ *Deps) { c.Balances, c.Closed = []string{of}, "1" })
		all = append(all, l.follow(sinktest.Weighings(4, 2)...)...)
		synctest.Wait()
		names, got := s.contents()
		want := ids(all[:8])
		for _, e := range all[8:] {
			if e.Balance == of {
				want = append(want, e.ID)
			}
		}
		if len(want) == 8 || !slices.Equal(got, want) || r.Status().State != Working {
			t.Errorf("%v hold %v, want %v; %+v", names, got, want, r.Status())
		}
		r.stop(t)
	})
}

// TestHeldIsCountedOnce although a sink of closed batches reads on past the end of a batch, and reads that again.
func TestHeldIsCountedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := newBoxes(), newLog()
		for i, w := range sinktest.Weighings(30, 1) {
			l.follow(w, record.Entry{Kind: record.KindUnread, ID: fmt.Sprint("u", i), JSON: []byte(`{}`)})
		}
		r := start(t, l, s, closedBy("2"), func(c *Config, _ *Deps) { c.Hold, c.Entries = Released, []string{"weighing", "unread"} })
		synctest.Wait()
		if names, got := s.contents(); len(names) != 15 || len(got) != 30 || r.Status().Held != 30 {
			t.Errorf("%d batches of %d entries, %d held, want 30", len(names), len(got), r.Status().Held)
		}
		r.stop(t)
	})
}

// TestWhatABatchLeftOutIsDeliveredAgainByItself, as a batch of one, and is refused again where the destination still cannot hold it.
func TestWhatABatchLeftOutIsDeliveredAgainByItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, l := newBoxes(), newLog(sinktest.Weighings(10, 3)...)
		third := l.entries[2]
		holds := false
		s.before = func(_ context.Context, b sinks.Batch) ([]sinks.LeftOut, error) {
			if !holds && b.First <= third.Seq {
				return []sinks.LeftOut{{Entry: third, Err: errors.New("no unit")}}, nil
			}
			return nil, nil
		}
		r := start(t, l, s, closedBy("10"))
		synctest.Wait()
		retry := func() {
			t.Helper()
			if err := r.Retry(t.Context(), []uint64{third.Seq}, &record.ParkedActed{Sink: "archive"}); err != nil {
				t.Fatal(err)
			}
			synctest.Wait()
		}
		retry()
		if st := r.Status(); st.State != Working || st.Parked != 1 || len(s.names) != 2 || len(s.boxes["late-000003"]) != 0 {
			t.Fatalf("refused again: %+v, %v", st, s.names)
		}
		delete(s.times, "late-000003")
		holds = true
		retry()
		if st := r.Status(); st.State != Working || st.Parked != 0 || !slices.Equal(s.boxes["late-000003"], []string{third.ID}) {
			t.Errorf("%+v, %v", st, s.boxes)
		}
		r.stop(t)
	})
}
