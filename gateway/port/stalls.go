package port

import (
	"context"
	"sync/atomic"
	"time"
)

const (
	stallTick   = 20 * time.Millisecond
	stallMemory = time.Second // how long readers may take to get their turn once a stall is over
)

// Stalls watches how late this whole process is: a reader that waits for its balance is told of bytes when the system and
// the process get round to it, which under load, or after the process was frozen, is not when the bytes came. One goroutine
// for all ports notes how late it wakes itself. Between two of its looks it knows nothing, so that bytes may always have
// waited for one tick more than it saw. The zero value is ready for use, and a nil *Stalls knows of no stall.
type Stalls struct {
	next    atomic.Int64 // when the next look is due, in ns after start; 0: nobody looks
	late    atomic.Int64 // how late the worst look of the last second was, in ns
	worstAt atomic.Int64
}

// Run looks until ctx ends.
func (s *Stalls) Run(ctx context.Context) {
	defer s.next.Store(0)
	s.next.Store(int64(time.Since(start) + stallTick))
	t := time.NewTicker(stallTick)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-t.C:
			s.look(time.Now())
		}
	}
}

// look notes how late it is.
func (s *Stalls) look(now time.Time) {
	at := int64(now.Sub(start))
	late := max(at-s.next.Load(), 0)
	if late >= s.late.Load() || at-s.worstAt.Load() > int64(stallMemory) {
		s.late.Store(late)
		s.worstAt.Store(at)
	}
	s.next.Store(at + int64(stallTick))
}

// since is the time from which on bytes may have waited that a reader got at the time at.
func (s *Stalls) since(at time.Time) time.Time {
	if s == nil {
		return at
	}
	next := s.next.Load()
	if next == 0 {
		return at
	}
	late, worstAt, now := s.late.Load(), s.worstAt.Load(), int64(at.Sub(start))
	since := now - max(now-next, late, 0) - int64(stallTick)
	if ago := now - worstAt; ago <= min(late, int64(stallMemory)) { // others may have had their turn before this reader
		since = min(since, worstAt-late-int64(stallTick))
	}
	return start.Add(time.Duration(since))
}
