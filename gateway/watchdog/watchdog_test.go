package watchdog

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// part is one that turns as long as it is told to.
type part struct{ stuck atomic.Pointer[time.Time] }

func (p *part) alive() time.Time {
	if at := p.stuck.Load(); at != nil {
		return *at
	}
	return time.Now()
}

func (p *part) stop() { now := time.Now(); p.stuck.Store(&now) }
func (p *part) turn() { p.stuck.Store(nil) }

type rig struct {
	*Watch
	board          *health.Board
	pings          atomic.Int64
	writer, reader part
	endReader      func()
}

// newRig has a writer, and a reader whose silence is explained by the writer's: 30 s of patience, a look each 5 s.
func newRig(t *testing.T) *rig {
	r := &rig{board: health.New(time.Now)}
	r.Watch = New(Config{Limit: 30 * time.Second, Every: 5 * time.Second, Ping: func() { r.pings.Add(1) }}, r.board, nil)
	r.Add(Part{Alive: r.writer.alive, Stuck: health.Condition{Code: "writer-stuck", Subject: "journal"}})
	r.endReader = r.Add(Part{Alive: r.reader.alive, Stuck: health.Condition{Code: "reader-stuck", Subject: "b-1"}, Cause: "writer-stuck"})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		r.Run(ctx)
	}()
	t.Cleanup(func() {
		cancel()
		<-done
	})
	return r
}

// pass lets time pass and says how many signs of life were given meanwhile.
func (r *rig) pass(d time.Duration) int64 {
	before := r.pings.Load()
	time.Sleep(d)
	synctest.Wait()
	return r.pings.Load() - before
}

func (r *rig) codes() (list []string) {
	for _, c := range r.board.List() {
		list = append(list, c.Code)
	}
	return list
}

func TestSignsOfLifeComeOnlyWhileEveryPartTurns(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		if n := r.pass(time.Hour); n < 719 || n > 721 {
			t.Errorf("%d signs of life in an hour, one each five seconds are 720", n)
		}
		r.writer.stop()
		if n := r.pass(30 * time.Second); n < 5 || n > 7 {
			t.Errorf("%d signs of life within the limit", n)
		}
		if n := r.pass(10 * time.Minute); n > 1 {
			t.Errorf("%d signs of life while the writer stands still", n)
		}
		if got := r.codes(); len(got) != 1 || got[0] != "writer-stuck" {
			t.Errorf("what holds is %v", got)
		}
		r.writer.turn()
		if n := r.pass(time.Minute); n < 11 {
			t.Errorf("%d signs of life in a minute after the writer turns again", n)
		}
		if got := r.codes(); len(got) != 0 {
			t.Errorf("what holds is %v", got)
		}
	})
}

func TestOneCauseIsOneCondition(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.pass(time.Second)
		r.reader.stop()
		r.pass(time.Minute)
		if got := r.codes(); len(got) != 1 || got[0] != "reader-stuck" {
			t.Errorf("with the reader stuck, what holds is %v", got)
		}
		r.writer.stop()
		r.pass(time.Minute)
		if got := r.codes(); len(got) != 1 || got[0] != "writer-stuck" {
			t.Errorf("with both stuck, what holds is %v", got)
		}
	})
}

func TestAPartThatHasEndedIsNotStuck(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.reader.stop()
		r.pass(time.Minute)
		r.endReader()
		if n := r.pass(time.Minute); n < 11 {
			t.Errorf("%d signs of life in a minute", n)
		}
		if got := r.codes(); len(got) != 0 {
			t.Errorf("what holds is %v", got)
		}
	})
}

func TestADaemonThatIsBeingStoppedGivesSignsOfLife(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t)
		r.Ending()
		r.reader.stop()
		if n := r.pass(time.Minute); n < 11 {
			t.Errorf("%d signs of life in a minute", n)
		}
	})
}

// TestAProgramThatWasFrozenGetsItsTurnFirst: after a freeze every part's last sign of life is old, and none is stuck.
func TestAProgramThatWasFrozenGetsItsTurnFirst(t *testing.T) {
	board := health.New(time.Now)
	w := New(Config{Limit: 30 * time.Second, Every: 5 * time.Second}, board, nil)
	old := time.Now()
	w.Add(Part{Alive: func() time.Time { return old }, Stuck: health.Condition{Code: "writer-stuck", Subject: "journal"}})
	for _, step := range []struct {
		after time.Duration
		well  bool
	}{{0, true}, {5 * time.Second, true}, {time.Hour, true}, {time.Hour + 5*time.Second, true}, {time.Hour + 10*time.Second, true},
		{time.Hour + 20*time.Second, true}, {time.Hour + 30*time.Second, true}, {time.Hour + 31*time.Second, false}} {
		if well := w.look(old.Add(step.after)); well != step.well {
			t.Errorf("%s after the last turn: well is %v", step.after, well)
		}
	}
}
