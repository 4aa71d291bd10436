package intake

import (
	"sync"
	"sync/atomic"
	"time"
)

// probing is how long Alive tries for the pipeline's lock, which is otherwise held for well under a millisecond.
const probing = 5 * time.Millisecond

// pulse is what is known of the life of a pipeline's two goroutines. Nobody wakes for it: whoever waits for something to do
// has said so before, and whoever asks looks whether the lock that both need can be had.
type pulse struct {
	born      time.Time
	appending atomic.Int64 // since when the recording goroutine has been at one append, in ns after born, plus 1; 0: it is not

	mu    sync.Mutex
	stuck time.Time // since when the lock could not be had, as far as was looked; zero: it could
	ended time.Time // of Run
}

// Alive is when the pipeline's goroutines last showed life, for a watchdog that asks every few seconds: the one that reads
// the port and the one that records, whichever is longer ago. A balance that is silent, a port that is gone and a journal
// that refuses are life; a reader held up in what it does with bytes, a lock that nobody gives back and an append that does
// not return are none. After Run it stands still. It may be called from any goroutine, and takes some 5 ms at most.
func (in *Intake) Alive() time.Time {
	now := in.now()
	alive := now
	if since := in.pulse.appending.Load(); since != 0 {
		alive = earlier(alive, in.pulse.born.Add(time.Duration(since-1)))
	}
	in.pulse.mu.Lock()
	defer in.pulse.mu.Unlock()
	if l, ok := in.line.(interface{ Alive() time.Time }); ok {
		alive = earlier(alive, l.Alive())
	}
	if !in.pulse.ended.IsZero() {
		alive = earlier(alive, in.pulse.ended)
	}
	switch {
	case in.lockable():
		in.pulse.stuck = time.Time{}
	case in.pulse.stuck.IsZero():
		in.pulse.stuck = now
	default:
		alive = earlier(alive, in.pulse.stuck)
	}
	return alive
}

// lockable says whether the pipeline's lock can be had.
func (in *Intake) lockable() bool {
	for began := time.Now(); ; time.Sleep(time.Millisecond) {
		if in.mu.TryLock() {
			in.mu.Unlock()
			return true
		}
		if time.Since(began) > probing {
			return false
		}
	}
}

// work says that the recording goroutine begins an append, and rest that it waits again.
func (p *pulse) work(now time.Time) { p.appending.Store(int64(now.Sub(p.born)) + 1) }
func (p *pulse) rest()              { p.appending.Store(0) }

func (p *pulse) begin() { p.end(time.Time{}) }

func (p *pulse) end(now time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ended = now
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
