//go:build linux || darwin

package pty

import (
	"os"

	"golang.org/x/sys/unix"
)

// setRaw turns off everything that a terminal does to bytes: echo, line editing, signals, translation of line ends.
func setRaw(fd int) error {
	t, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil {
		return err
	}
	t.Iflag, t.Oflag, t.Lflag = 0, 0, 0
	t.Cc[unix.VMIN], t.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, setTermios, t)
}

// control runs an operation on the descriptor without taking it out of the poller, which File.Fd would do.
func control(f *os.File, do func(fd int) error) error {
	raw, err := f.SyscallConn()
	if err != nil {
		return err
	}
	var inner error
	if err := raw.Control(func(fd uintptr) { inner = do(int(fd)) }); err != nil {
		return err
	}
	return inner
}
