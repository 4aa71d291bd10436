package deliver

import (
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
)

func beginning(at time.Time) func(*Config, *Deps) {
	return func(c *Config, d *Deps) { c.Cursor, d.Destination = at.Format(time.RFC3339Nano), "folder /srv/seeds" }
}

func TestASinkBeginsAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		zero, l := atBegin(), newLog()
		var all []record.Entry
		for i := range 700 {
			all = append(all, stamped(i, zero.Add(time.Duration(i)*time.Minute)))
		}
		all[500], all[650] = stamped(500, zero.Add(800*time.Minute)), stamped(650, zero) // the clock was wrong for a moment
		all = l.follow(all...)
		time.Sleep(24 * time.Hour)
		r := start(t, l, &fakeSink{}, beginning(zero.Add(600*time.Minute)))
		synctest.Wait()
		got := r.sink.got()
		if len(got) != 200 || got[0] != all[500].ID {
			t.Errorf("%d arrived, from %s on; nothing that was recorded at the time or later may be missing", len(got), got[0])
		}
		if kinds := l.kinds(700); !slices.Equal(kinds, []record.Kind{record.KindSinkMoved}) {
			t.Errorf("recorded %v", kinds)
		}
		r.stop(t)
		// It is used once: a restart goes on where it was.
		l.follow(stamped(800, zero))
		r = start(t, l, &fakeSink{}, beginning(zero.Add(600*time.Minute)))
		synctest.Wait()
		if got := r.sink.got(); len(got) != 1 {
			t.Errorf("after a restart %d arrived", len(got))
		}
		r.stop(t)
	})
}

func TestASinkBeginsAtATimeThatIsStillToCome(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newLog()
		l.follow(stamped(1, time.Now()))
		when := time.Now().Add(time.Hour)
		r := start(t, l, &fakeSink{}, beginning(when))
		time.Sleep(30 * time.Minute)
		l.follow(stamped(2, time.Now()))
		synctest.Wait()
		if st := r.Status(); len(r.sink.got()) != 0 || st.State != Waiting {
			t.Errorf("before: %v, %+v", r.sink.got(), st)
		}
		time.Sleep(30 * time.Minute)
		late := l.follow(stamped(3, time.Now()))
		synctest.Wait()
		if got := r.sink.got(); !slices.Equal(got, []string{late[0].ID}) || r.Status().State != Working {
			t.Errorf("then: %v, %+v", got, r.Status())
		}
		r.stop(t)
		// A time at which nothing was recorded begins at the present.
		l = newLog()
		l.follow(stamped(1, time.Now()))
		time.Sleep(time.Hour)
		r = start(t, l, &fakeSink{}, beginning(time.Now().Add(-time.Minute)))
		synctest.Wait()
		l.follow(stamped(2, time.Now()))
		synctest.Wait()
		if got := r.sink.got(); len(got) != 1 || l.goal == "" {
			t.Errorf("from the present: %v", got)
		}
		r.stop(t)
	})
}
