package port

import (
	"context"
	"os"

	"golang.org/x/sys/unix"
)

// Drain asks the driver how much of the output waits (TIOCOUTQ, tty_ioctl(4)), rather than have the system wait: nothing could
// free us from that while flow control holds the line. What the adapter itself still holds cannot be seen.
func (n *native) Drain(ctx context.Context) error {
	return untilNone(ctx, n.writeLimit, func() (waiting int, err error) {
		if n.closed.Load() {
			return 0, os.ErrClosed
		}
		raw := n.raw.Control(func(fd uintptr) { waiting, err = unix.IoctlGetInt(int(fd), unix.TIOCOUTQ) })
		if raw != nil {
			return 0, raw
		}
		return waiting, err
	})
}
