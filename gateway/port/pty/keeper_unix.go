//go:build linux || darwin

package pty

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// deserted asks poll(2), which reports a hang-up at the master while nobody has the slave open.
func deserted(master *os.File) (nobody, waiting bool, err error) {
	err = control(master, func(fd int) error {
		polled := []unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}
		if _, err := unix.Poll(polled, 0); err != nil && err != unix.EINTR {
			return err
		}
		nobody, waiting = polled[0].Revents&unix.POLLHUP != 0, polled[0].Revents&unix.POLLIN != 0
		return nil
	})
	return nobody, waiting, err
}

func clean(slave string) error { return withSlave(slave, flushInput) }

// What follows goes through the master, so that the slave need not be opened.

func isRaw(master *os.File) (raw bool, err error) {
	err = control(master, func(fd int) error {
		t, err := unix.IoctlGetTermios(fd, getTermios)
		if err == nil {
			raw = t.Iflag|t.Oflag|t.Lflag == 0 && t.Cc[unix.VMIN] == 1 && t.Cc[unix.VTIME] == 0
		}
		return err
	})
	return raw, err
}

func restore(master *os.File) error { return control(master, setRaw) }

func allow(slave string, group int) error {
	return withSlave(slave, func(fd int) error {
		mode := uint32(0o600)
		if group >= 0 {
			if err := unix.Fchown(fd, -1, group); err != nil {
				return err
			}
			mode = 0o660
		}
		return unix.Fchmod(fd, mode)
	})
}

// withSlave opens the slave for as long as do takes.
func withSlave(slave string, do func(fd int) error) error {
	f, err := os.OpenFile(slave, os.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_NOFOLLOW, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := control(f, do); err != nil {
		return fmt.Errorf("%s: %w", slave, err)
	}
	return nil
}
