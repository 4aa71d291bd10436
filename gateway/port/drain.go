package port

import (
	"context"
	"os"
	"time"
)

// drainer is a port that can tell when what was written has left the computer.
type drainer interface {
	Drain(ctx context.Context) error
}

// Drain waits until what was written to a port has left this computer, as far as its driver can tell, or until ctx ends. Of
// device servers nobody can tell: it does not wait for them.
func Drain(ctx context.Context, p Port) error {
	if d, ok := p.(drainer); ok {
		return d.Drain(ctx)
	}
	return nil
}

// drainLook is how often a driver is asked how much still waits.
const drainLook = 2 * time.Millisecond

// untilNone asks again and again how many bytes wait, until none do. Where none leaves for as long as most, it gives up with
// os.ErrDeadlineExceeded, as a write does that nobody takes.
func untilNone(ctx context.Context, most time.Duration, waiting func() (int, error)) error {
	last, since := -1, time.Now()
	for {
		n, err := waiting()
		switch {
		case err != nil || n == 0:
			return err
		case n != last:
			last, since = n, time.Now()
		case time.Since(since) > most:
			return os.ErrDeadlineExceeded
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(drainLook):
		}
	}
}
