package deliver

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// refuses takes everything up to the first entry among ids and refuses that.
func refuses(ids ...string) func(context.Context, []record.Entry) (int, error) {
	return func(_ context.Context, entries []record.Entry) (int, error) {
		for i, e := range entries {
			if slices.Contains(ids, e.ID) {
				return i, sinks.Refused{Err: errors.New("unknown lot")}
			}
		}
		return len(entries), nil
	}
}

func denies(context.Context, []record.Entry) (int, error) {
	return 0, sinks.Unusable{Err: errors.New("wrong password")}
}

func TestARefusedEntryIsParkedAndLaterOnesPass(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(20, 1)
		bad := []string{entries[3].ID, entries[4].ID, entries[5].ID, entries[6].ID, entries[9].ID, entries[19].ID}
		s := &fakeSink{}
		s.takes(refuses(bad...))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		if !slices.Equal(r.log.parked, bad) {
			t.Errorf("parked %v, want %v", r.log.parked, bad)
		}
		var want []string
		for _, e := range entries {
			if !slices.Contains(bad, e.ID) {
				want = append(want, e.ID)
			}
		}
		if got := s.got(); !slices.Equal(got, want) {
			t.Errorf("delivered %v", got)
		}
		if got := r.conditions(); !slices.Equal(got, []string{CodeParked}) {
			t.Errorf("conditions %v", got)
		}
		if st := r.Status(); st.Parked != 6 || st.Delivered != 14 || st.State != Working || st.Lag != 0 {
			t.Errorf("status %+v", st)
		}
		for _, k := range r.log.kinds(20) {
			if k != record.KindParked {
				t.Errorf("recorded %s", k)
			}
		}
		r.stop(t)
	})
}

func TestFiveRefusalsInARowStopTheSink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(12, 1)
		s := &fakeSink{}
		s.takes(refuses(ids(entries)...))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		if len(r.log.parked) != refusalsToStop-1 || r.log.place() != refusalsToStop-1 {
			t.Errorf("%d parked, cursor %d", len(r.log.parked), r.log.place())
		}
		if got := r.conditions(); !slices.Equal(got, []string{CodeStopped, CodeParked}) {
			t.Errorf("conditions %v", got)
		}
		calls := len(s.seen())
		time.Sleep(16 * time.Minute)
		synctest.Wait()
		probes := s.seen()[calls:]
		if len(probes) != 3 {
			t.Errorf("%d probes in 16 minutes", len(probes))
		}
		for _, p := range probes {
			if !slices.Equal(p.ids, []string{entries[4].ID}) {
				t.Errorf("probed with %v", p.ids)
			}
		}
		if len(r.log.parked) != refusalsToStop-1 {
			t.Errorf("a probe parked: %v", r.log.parked)
		}
		s.takes(nil)
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		if got := s.got(); !slices.Equal(got, ids(entries[4:])) || !slices.Equal(r.conditions(), []string{CodeParked}) {
			t.Errorf("after it takes them: delivered %v, conditions %v", got, r.conditions())
		}
		want := []record.Kind{record.KindParked, record.KindParked, record.KindParked, record.KindParked, record.KindSinkStopped, record.KindSinkResumed}
		if got := r.log.kinds(12); !slices.Equal(got, want) {
			t.Errorf("recorded %v", got)
		}
		r.stop(t)
	})
}

func TestRefusalsThatAreNotInARowDoNotStopTheSink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(40, 1)
		var bad []string
		for i := 0; i < 40; i += 2 {
			bad = append(bad, entries[i].ID)
		}
		s := &fakeSink{}
		s.takes(refuses(bad...))
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		if len(r.log.parked) != 20 || len(s.got()) != 20 || r.Status().State != Working {
			t.Errorf("%d parked, %d delivered, %+v", len(r.log.parked), len(s.got()), r.Status())
		}
		r.stop(t)
	})
}

func TestAnUnusableSinkStopsAtOnceAndParksNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(4, 1)
		s := &fakeSink{}
		s.takes(denies)
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		list := r.board.List()
		if len(list) != 1 || list[0].Code != CodeStopped || list[0].Severity != "error" || !strings.Contains(list[0].Sentence, "wrong password") {
			t.Errorf("conditions %+v", list)
		}
		// A probe that fails in another way does not make it look better than it is.
		s.takes(func(context.Context, []record.Entry) (int, error) { return 0, errors.New("nobody there") })
		time.Sleep(6 * time.Minute)
		synctest.Wait()
		if got := r.conditions(); !slices.Equal(got, []string{CodeStopped}) || len(s.seen()) != 2 {
			t.Errorf("conditions %v after %d attempts", got, len(s.seen()))
		}
		s.takes(nil)
		time.Sleep(5 * time.Minute)
		synctest.Wait()
		want := []record.Kind{record.KindSinkStopped, record.KindSinkResumed}
		if got := r.log.kinds(4); !slices.Equal(got, want) || len(r.log.parked) != 0 || !slices.Equal(s.got(), ids(entries)) {
			t.Errorf("recorded %v, parked %v, delivered %v", got, r.log.parked, s.got())
		}
		r.stop(t)
	})
}

func TestAStoppedSinkThatThenRefusesAnEntryIsUsableAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(3, 1)
		s := &fakeSink{}
		s.takes(denies)
		r := start(t, newLog(entries...), s)
		synctest.Wait()
		s.takes(refuses(entries[0].ID))
		time.Sleep(6 * time.Minute)
		synctest.Wait()
		want := []record.Kind{record.KindSinkStopped, record.KindParked, record.KindSinkResumed}
		if got := r.log.kinds(3); !slices.Equal(got, want) || !slices.Equal(s.got(), ids(entries[1:])) {
			t.Errorf("recorded %v, delivered %v", got, s.got())
		}
		r.stop(t)
	})
}

// TestNothingIsParkedThatIsNotRecorded: while the disk is full, a refused entry waits rather than getting lost.
func TestNothingIsParkedThatIsNotRecorded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(3, 1)
		l, s := newLog(entries...), &fakeSink{}
		l.full = true
		s.takes(refuses(entries[1].ID))
		r := start(t, l, s)
		time.Sleep(20 * time.Minute) // far more than five attempts
		synctest.Wait()
		if l.place() != 1 || r.Status().State != Retrying {
			t.Errorf("cursor %d, %+v", l.place(), r.Status())
		}
		l.locked(func() { l.full = false })
		time.Sleep(time.Minute)
		synctest.Wait()
		if !slices.Equal(l.parked, []string{entries[1].ID}) || len(s.got()) != 2 {
			t.Errorf("parked %v, delivered %v", l.parked, s.got())
		}
		r.stop(t)
	})
}

func TestTheStateOfASinkIsRecordedOnceTheDiskHasRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l, s := newLog(sinktest.Weighings(2, 1)...), &fakeSink{}
		l.full = true
		s.takes(denies)
		r := start(t, l, s)
		synctest.Wait()
		stopped := time.Now()
		s.takes(nil)
		time.Sleep(6 * time.Minute)
		synctest.Wait()
		if got := l.kinds(2); len(got) != 0 || len(s.got()) != 2 {
			t.Errorf("recorded %v, delivered %v", got, s.got())
		}
		l.locked(func() { l.full = false })
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if got := l.kinds(2); !slices.Equal(got, []record.Kind{record.KindSinkStopped, record.KindSinkResumed}) {
			t.Fatalf("recorded %v", got)
		}
		if !strings.Contains(string(l.entries[2].JSON), record.UTC(stopped).String()) {
			t.Errorf("the entry does not carry the instant of the act: %s", l.entries[2].JSON)
		}
		r.stop(t)
	})
}

// TestNewsOfItsOwnRefusalsDoNotBreed: a sink that wants everything and refuses news of refusals must not fill the journal.
func TestNewsOfItsOwnRefusalsDoNotBreed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(func(_ context.Context, entries []record.Entry) (int, error) {
			for i, e := range entries {
				if e.Kind == record.KindParked || e.Seq == 2 {
					return i, sinks.Refused{Err: errors.New("no such kind")}
				}
			}
			return len(entries), nil
		})
		r := start(t, newLog(sinktest.Weighings(3, 1)...), s, func(c *Config, _ *Deps) { c.Entries = []string{"all"} })
		synctest.Wait()
		if got := r.log.kinds(3); !slices.Equal(got, []record.Kind{record.KindParked}) || r.Status().Lag != 0 {
			t.Errorf("recorded %v, lag %d", got, r.Status().Lag)
		}
		// News of another sink are wanted.
		if _, err := r.log.Append(t.Context(), &record.Parked{Sink: "broker", Entry: 1}); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if got := r.log.kinds(3); len(got) != 3 {
			t.Errorf("recorded %v", got)
		}
		r.stop(t)
	})
}
