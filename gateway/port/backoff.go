package port

import (
	"context"
	"math/rand/v2"
	"time"
)

// backoff is how long to wait before the next attempt. A serial port must be back within 5 s of being plugged in, so its
// longest wait is 4 s (one look at the device a try). A device server and a port that we may not open wait up to 30 s.
type backoff struct {
	first, serial, rest time.Duration
}

var usualBackoff = backoff{first: 250 * time.Millisecond, serial: 4 * time.Second, rest: 30 * time.Second}

// Steady is how long a port must have lived for the next loss to count as a first one. A shorter life goes on waiting
// longer, so that a server that accepts and closes at once is not dialled four times a second.
const Steady = 10 * time.Second

// delay is the wait after the given number of failures in a row: doubled each time, up to the longest, with up to a quarter
// taken off at random so that many ports that went together do not come back in one moment.
func (b backoff) delay(failures int, longest time.Duration) time.Duration {
	d := longest
	if shift := failures - 1; shift < 20 {
		d = min(b.first<<shift, longest)
	}
	return d - rand.N(d/4+1)
}

func (b backoff) longest(c Config, t *Trouble) time.Duration {
	if c.isURL() || t.Code == CodeRefused {
		return b.rest
	}
	return b.serial
}

// Again waits before the next try of something beside a port, after so many failures in a row and up to the longest, as a port
// does itself. It says whether ctx is still alive.
func Again(ctx context.Context, failures int, longest time.Duration) bool {
	return Wait(ctx, usualBackoff.delay(failures, longest))
}

// Wait waits and says whether ctx is still alive.
func Wait(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
