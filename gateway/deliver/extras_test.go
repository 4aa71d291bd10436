package deliver

import (
	"context"
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// tellSink also takes checkpoints and the live stream.
type tellSink struct {
	fakeSink
	mu    sync.Mutex
	notes []string
	at    []time.Time
	live  []string
	fails bool
}

func (s *tellSink) Checkpoint(_ context.Context, note []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fails {
		return errors.New("no room")
	}
	s.notes, s.at = append(s.notes, string(note)), append(s.at, time.Now())
	return nil
}

func (s *tellSink) Live(r record.Live) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.live = append(s.live, r.Balance)
}

func (s *tellSink) told() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.notes)
}

func TestCheckpointsGoOutWhenTheHeadMoved(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(100, 1)
		l, s := newLog(entries[:1]...), &tellSink{}
		r := start(t, l, s)
		synctest.Wait()
		if got := s.told(); !slices.Equal(got, []string{"head 1"}) {
			t.Errorf("at the start: %v", got)
		}
		time.Sleep(10 * time.Minute)
		if got := s.told(); len(got) != 1 {
			t.Errorf("while the head stood still: %v", got)
		}
		for _, e := range entries[1:50] {
			l.add(e)
			time.Sleep(10 * time.Second)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		for i := 1; i < len(s.at); i++ {
			if d := s.at[i].Sub(s.at[i-1]); d < time.Minute {
				t.Errorf("two checkpoints within %s", d)
			}
		}
		if got := s.told(); got[len(got)-1] != "head 50" || len(got) < 8 {
			t.Errorf("while the head moved for eight minutes: %v", got)
		}
		if l.told != 50 || l.toldAt.IsZero() {
			t.Errorf("the journal was told of %d at %s", l.told, l.toldAt)
		}
		l.add(entries[50:]...)
		synctest.Wait()
		r.stop(t)
		if got := s.told(); got[len(got)-1] != "head 100" {
			t.Errorf("at the end: %v", got)
		}
	})
}

func TestACheckpointThatFailsDoesNotHoldEntriesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		entries := sinktest.Weighings(10, 1)
		l, s := newLog(entries[:5]...), &tellSink{fails: true}
		r := start(t, l, s)
		synctest.Wait()
		l.add(entries[5:]...)
		synctest.Wait()
		if len(s.got()) != 10 || len(r.conditions()) != 0 {
			t.Errorf("%d delivered, conditions %v", len(s.got()), r.conditions())
		}
		s.mu.Lock()
		s.fails = false
		s.mu.Unlock()
		time.Sleep(2 * time.Minute)
		synctest.Wait()
		if got := s.told(); !slices.Equal(got, []string{"head 10"}) {
			t.Errorf("after it has room again: %v", got)
		}
		r.stop(t)
	})
}

func TestTheLiveStreamIsHandedOn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		live := make(chan record.Live)
		s := &tellSink{}
		r := start(t, newLog(), s, func(_ *Config, d *Deps) { d.Live = live })
		for _, b := range []string{"b-01", "b-02"} {
			live <- record.Live{Balance: b}
		}
		synctest.Wait()
		if !slices.Equal(s.live, []string{"b-01", "b-02"}) {
			t.Errorf("got %v", s.live)
		}
		close(live)
		r.stop(t)
	})
}
