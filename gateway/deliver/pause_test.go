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
	"weighpost/sinks/sinktest"
)

func pausing(why string) *record.SinkPaused {
	return &record.SinkPaused{Sink: "archive", Reason: why, By: record.Actor{ID: "ada", Name: "Ada", By: record.ActorHost},
		Stamp: record.Stamp{UTC: record.UTC(time.Now())}}
}

func TestNothingIsTriedWhilePaused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(9, 1)
		r := start(t, newLog(entries[:3]...), &fakeSink{})
		synctest.Wait()
		if err := r.Pause(t.Context(), pausing("the lab system is being moved")); err != nil {
			t.Fatal(err)
		}
		r.log.follow(entries[3:5]...)
		time.Sleep(48 * time.Hour)
		synctest.Wait()
		// Whether the entry of the pause itself, which the sink does not want, was passed over before the pause took hold, does not matter.
		st := r.Status()
		if len(r.sink.got()) != 3 || st.State != Paused || st.Cursor > 4 || st.Cursor+st.Lag != 6 || st.Paused.Who != "Ada" || !strings.Contains(st.Why, "being moved") {
			t.Errorf("%d delivered, status %+v", len(r.sink.got()), st)
		}
		if got := r.conditions(); !slices.Equal(got, []string{CodePaused}) {
			t.Errorf("conditions %v", got)
		}
		if err := r.TryNow(); !errors.Is(err, ErrPaused) {
			t.Errorf("try now: %v", err)
		}
		if err := r.Retry(t.Context(), []uint64{1}, r.acted(false, 1)); !errors.Is(err, ErrPaused) {
			t.Errorf("retry: %v", err)
		}
		if err := r.Pause(t.Context(), pausing("")); !errors.Is(err, ErrAlreadyPaused) {
			t.Errorf("a second pause: %v", err)
		}
		r.stop(t)
		// A restart does not forget it.
		r = start(t, r.log, &fakeSink{})
		time.Sleep(time.Hour)
		synctest.Wait()
		if st := r.Status(); len(r.sink.seen()) != 0 || st.State != Paused || st.Paused.Who != "Ada" || !slices.Equal(r.conditions(), []string{CodePaused}) {
			t.Errorf("after a restart: %d calls, %+v, %v", len(r.sink.seen()), st, r.conditions())
		}
		if err := r.Continue(t.Context(), pausing("moved")); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if got := r.sink.got(); !slices.Equal(got, ids(entries[3:5])) || len(r.conditions()) != 0 || r.Status().State != Working {
			t.Errorf("after it went on: %v, %v, %+v", got, r.conditions(), r.Status())
		}
		if err := r.Continue(t.Context(), pausing("")); !errors.Is(err, ErrNotPaused) {
			t.Errorf("a second continue: %v", err)
		}
		if got := r.log.kinds(3); !slices.Contains(got, record.KindSinkPaused) || !slices.Contains(got, record.KindSinkContinued) {
			t.Errorf("recorded %v", got)
		}
		r.stop(t)
	})
}

// TestAPauseEndsWhatIsUnderWay: a delivery that hangs is given up within a moment, and is no failure.
func TestAPauseEndsWhatIsUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(func(ctx context.Context, batch []record.Entry) (int, error) { <-ctx.Done(); return 1, ctx.Err() })
		r := start(t, newLog(sinktest.Weighings(3, 1)...), s)
		synctest.Wait()
		if err := r.Pause(t.Context(), pausing("")); err != nil {
			t.Fatal(err)
		}
		time.Sleep(2 * grace)
		synctest.Wait()
		if n := len(s.seen()); n != 1 || r.log.place() != 1 || !slices.Equal(r.conditions(), []string{CodePaused}) {
			t.Errorf("%d calls, cursor %d, %v", n, r.log.place(), r.conditions())
		}
		s.takes(nil)
		if err := r.Continue(t.Context(), pausing("")); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if got := s.got(); len(got) != 3 {
			t.Errorf("got %v", got)
		}
		r.stop(t)
	})
}

// TestAPauseEndsAWait: a sink that would be tried again in an hour says at once that it is paused, and is tried at once afterwards.
func TestAPauseEndsAWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &fakeSink{}
		s.takes(func(context.Context, []record.Entry) (int, error) { return 0, errors.New("nobody there") })
		r := start(t, newLog(sinktest.Weighings(1, 1)...), s)
		time.Sleep(time.Hour)
		synctest.Wait()
		if err := r.Pause(t.Context(), pausing("")); err != nil {
			t.Fatal(err)
		}
		before := len(s.seen())
		time.Sleep(time.Hour)
		synctest.Wait()
		if len(s.seen()) != before || !slices.Equal(r.conditions(), []string{CodePaused}) {
			t.Errorf("%d calls while paused, %v", len(s.seen())-before, r.conditions())
		}
		s.takes(nil)
		if err := r.Continue(t.Context(), pausing("")); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if len(s.got()) != 1 {
			t.Error("it is not tried at once")
		}
		r.stop(t)
	})
}

// TestNothingIsBegunAfterAPause, also where the pause comes between looking and handing over.
func TestNothingIsBegunAfterAPause(t *testing.T) {
	s := newBoxes()
	r := New(newLog(), s, *Default(), Deps{})
	r.paused, r.plan = &PausedBy{}, &planned{Name: "2026-11-29"}
	if n, err := r.try(t.Context(), []record.Entry{{Seq: 1}}); n != 0 || !errors.Is(err, ErrPaused) {
		t.Errorf("delivered %d: %v", n, err)
	}
	if _, err, _ := r.handOver(t.Context()); !errors.Is(err, ErrPaused) || len(s.boxes) > 0 {
		t.Errorf("collected %v: %v", s.boxes, err)
	}
}
