package port

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// control runs an ioctl on the open port, and puts its error into words.
func (n *native) control(what string, do func(fd int) error) error {
	var inner error
	err := n.raw.Control(func(fd uintptr) { inner = do(int(fd)) })
	switch {
	case n.closed.Load(), err != nil:
		return os.ErrClosed
	case errors.Is(inner, unix.ENOTTY):
		return ErrNoModem
	case inner != nil:
		return fmt.Errorf("%s %s: %w", what, n.file.Name(), inner)
	}
	return nil
}

// Lines reads the modem lines: TIOCMGET of ioctl_tty(2).
func (n *native) Lines() (l Lines, err error) {
	err = n.control("reading the modem lines of", func(fd int) error {
		l, err = linesOf(fd)
		return err
	})
	return l, err
}

// linesOf reads the modem lines of an open terminal.
func linesOf(fd int) (Lines, error) {
	bits, err := unix.IoctlGetInt(fd, unix.TIOCMGET)
	if err != nil {
		return Lines{}, err
	}
	on := func(bit int) bool { return bits&bit != 0 }
	return Lines{DTR: on(unix.TIOCM_DTR), RTS: on(unix.TIOCM_RTS), CTS: on(unix.TIOCM_CTS), DSR: on(unix.TIOCM_DSR),
		DCD: on(unix.TIOCM_CAR), RI: on(unix.TIOCM_RNG)}, nil
}

// SetDTR is TIOCMBIS or TIOCMBIC of ioctl_tty(2).
func (n *native) SetDTR(on bool) error { return n.setLine("switching DTR of", unix.TIOCM_DTR, on) }

// SetRTS does so for RTS, unless the driver moves that by itself.
func (n *native) SetRTS(on bool) error {
	if n.flow == FlowRTSCTS {
		return ErrRTSTaken
	}
	return n.setLine("switching RTS of", unix.TIOCM_RTS, on)
}

func (n *native) setLine(what string, bit int, on bool) error {
	request := uint(unix.TIOCMBIC)
	if on {
		request = unix.TIOCMBIS
	}
	return n.control(what, func(fd int) error { return unix.IoctlSetPointerInt(fd, request, bit) })
}

// Purge is tcflush(3) of both ways. It leaves the decoder of marks alone, which belongs to the reader: see Modem.
func (n *native) Purge() error {
	return n.control("emptying", func(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCIOFLUSH) })
}
