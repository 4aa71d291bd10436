package lines

import (
	"context"
	"net"
	"time"

	"golang.org/x/sys/unix"
)

// DrainTCP asks the system how much the other computer has not acknowledged (SIOCOUTQ, tcp(7)), until that is nothing. A connection
// that was reset in between is found by the error that it then holds (SO_ERROR, socket(7)).
func DrainTCP(ctx context.Context, c *net.TCPConn) error {
	raw, err := c.SyscallConn()
	if err != nil {
		return err
	}
	for wait := 50 * time.Microsecond; ; wait = min(2*wait, 5*time.Millisecond) {
		waiting, failed := 0, 0
		var asked error
		err := raw.Control(func(fd uintptr) {
			if waiting, asked = unix.IoctlGetInt(int(fd), unix.SIOCOUTQ); asked == nil {
				failed, asked = unix.GetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_ERROR)
			}
		})
		switch {
		case err != nil:
			return err
		case asked != nil:
			return asked
		case failed != 0:
			return unix.Errno(failed)
		case waiting == 0:
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}
