package port

import (
	"sync/atomic"
	"time"
)

// life says whether the goroutine of a line still turns. It costs two stores a read, and nothing while the port is silent.
//
// Waiting for bytes, for a port to open and for the next attempt is life: a balance may be silent for days, and one port
// that hangs in its driver must not end the daemon that reads two hundred others. Everything else, the handler above all,
// is done in no time, or it hangs.
type life struct{ since atomic.Int64 } // ns after start, plus 1, from which on it works; 0: it waits

func (l *life) rest() { l.since.Store(0) }
func (l *life) work() { l.workFrom(time.Now()) }

func (l *life) workFrom(t time.Time) { l.since.Store(int64(t.Sub(start)) + 1) }

// Alive is when the line last showed life: now while it waits for its port, and otherwise since when it has been at work on
// what the port gave. After Run it stands still. It may be called from any goroutine.
func (l *Line) Alive() time.Time {
	if since := l.life.since.Load(); since != 0 {
		return start.Add(time.Duration(since - 1))
	}
	return time.Now()
}
