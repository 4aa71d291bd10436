package port

import (
	"context"
	"os"
)

// Drain waits in a goroutine of its own, as Write does and for the same reason. While it is stuck no write begins.
func (l *library) Drain(ctx context.Context) error {
	if l.closed.Load() {
		return os.ErrClosed
	}
	if !l.writing.TryLock() {
		return os.ErrDeadlineExceeded
	}
	done := make(chan error, 1)
	go func() {
		defer l.writing.Unlock()
		done <- l.port.Drain()
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	_ = l.port.ResetOutputBuffer() // frees it; what was not sent is thrown away, and said to be unsent
	return ctx.Err()
}
