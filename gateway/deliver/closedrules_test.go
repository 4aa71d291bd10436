package deliver

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"

	"weighpost/gateway/record"
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
