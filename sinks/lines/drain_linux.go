package lines

import (
	"context"
	"net"
	"time"

	"golang.org/x/sys/unix"
)

// UnconfirmedTCP asks the system how many of the bytes that were written the other computer has not acknowledged (SIOCOUTQ, tcp(7)). A
// connection that was reset in between is found by the error that it then holds (SO_ERROR, socket(7)).
func UnconfirmedTCP(c *net.TCPConn) (n int, err error) {
	raw, err := c.SyscallConn()
	if err != nil {
		return 0, err
	}
	failed := 0
	var asked error
	err = raw.Control(func(fd uintptr) {
		if n, asked = unix.IoctlGetInt(int(fd), unix.SIOCOUTQ); asked == nil {
			failed, asked = unix.GetsockoptInt(int(fd), unix.SOL_SOCKET, unix.SO_ERROR)
		}
	})
	switch {
	case err != nil:
		return 0, err
	case asked != nil:
		return 0, asked
	case failed != 0:
		return 0, unix.Errno(failed)
	}
	return n, nil
}

// DrainTCP waits until the other computer has acknowledged everything.
func DrainTCP(ctx context.Context, c *net.TCPConn) error {
	for wait := firstLook; ; wait = min(2*wait, lastLook) {
		n, err := UnconfirmedTCP(c)
		if err != nil || n == 0 {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
	}
}
