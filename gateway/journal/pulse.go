package journal

import (
	"sync/atomic"
	"time"
)

// pulse is when the writer began the piece of work that it has in hand: one commit, one copying back of the WAL, one try to
// record again. A writer that waits for work is alive. One that is told by the disk that there is no space is alive too: it
// says so and tries again. One that sits in a write or a sync that never returns is not, and nothing but this tells.
type pulse struct{ began atomic.Int64 } // nanoseconds after pulseEpoch; 0: waiting for work

var pulseEpoch = time.Now().Add(-1) // carries the monotonic clock; before everything, so that no work begins at 0

func (p *pulse) work() { p.began.Store(int64(time.Since(pulseEpoch))) }
func (p *pulse) rest() { p.began.Store(0) }

// Alive is when the journal's writer last showed that it turns: now while it waits for work, and otherwise the moment at which
// it began what it has in hand. What lies far back is a disk that does not answer. It costs nothing and takes no lock.
func (j *Journal) Alive() time.Time {
	if began := j.pulse.began.Load(); began != 0 {
		return pulseEpoch.Add(time.Duration(began))
	}
	return time.Now()
}
