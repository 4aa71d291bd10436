package deliver

import (
	"context"
	"sync"
	"time"
)

// How much one call of Waiting looks at: whoever asks again goes on from there.
const (
	mostCounted = 20_000
	countFor    = 200 * time.Millisecond
)

// counted is how many entries are due between where the sink has read to and where somebody who asked has counted to.
type counted struct {
	mu         sync.Mutex
	from, upto uint64
	n          uint64
}

// Waiting counts how many entries that the sink wants it has not had. It reads the journal for that, in bounded time and memory, and goes
// on where the last call stopped as long as the sink stands still: exact is false where there may be more. It may be called from any
// goroutine, and slows no delivery. Errors are those of the journal.
func (r *Runner) Waiting(ctx context.Context) (n uint64, exact bool, err error) {
	r.mu.Lock()
	n, from, counts := r.status.Waiting, r.lookedAt, r.again.running && !r.releasing
	r.mu.Unlock()
	if !counts {
		return n, false, nil // it has no place yet, or what a release still lets go is not counted
	}
	c := &r.counted
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.from != from || c.upto < from {
		c.from, c.upto, c.n = from, from, 0
	}
	rd, seen := reading{at: c.upto}, c.n
	end := time.Now().Add(countFor)
	for rd.behind(r.log.Head()) && rd.at < c.upto+mostCounted && time.Now().Before(end) {
		at, releasing := rd.at, rd.release != nil
		list, _, err := r.readOn(ctx, &rd, chunk)
		if err != nil {
			return n + c.n, false, err
		}
		if seen += uint64(len(list)); rd.release == nil {
			c.upto, c.n = rd.at, seen // only where counting can begin again
			rd.at = c.upto
		}
		if len(list) == 0 && rd.at == at && releasing == (rd.release != nil) {
			break
		}
	}
	return n + seen, !rd.behind(r.log.Head()), nil
}

// looked tells those who ask how far the sink has read, and how many of that wait.
func (r *Runner) looked() {
	rd, waiting := &r.reading, uint64(len(r.pending))
	if r.closing.on() {
		if rd, waiting = &r.open.reading, r.open.count; r.plan != nil {
			rd, waiting = &reading{at: r.plan.Upto}, r.plan.Count
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status.Waiting, r.lookedAt, r.releasing = waiting, rd.at, rd.release != nil
}
