package pty

import (
	"bytes"
	"fmt"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// open does what posix_openpt, grantpt, unlockpt and ptsname do on macOS, without C.
func open() (*os.File, string, error) {
	master, err := os.OpenFile("/dev/ptmx", os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		return nil, "", fmt.Errorf("no pseudo-terminal can be made: %w", err)
	}
	var name [128]byte // the size is part of TIOCPTYGNAME
	err = control(master, func(fd int) error {
		if err := unix.IoctlSetInt(fd, unix.TIOCPTYGRANT, 0); err != nil {
			return err
		}
		if err := unix.IoctlSetInt(fd, unix.TIOCPTYUNLK, 0); err != nil {
			return err
		}
		if _, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), unix.TIOCPTYGNAME, uintptr(unsafe.Pointer(&name[0]))); errno != 0 {
			return errno
		}
		_ = setRaw(fd) // holds only once the slave is open; package port sets it again
		return nil
	})
	if err != nil {
		master.Close()
		return nil, "", fmt.Errorf("the pseudo-terminal cannot be set up: %w", err)
	}
	path, _, _ := bytes.Cut(name[:], []byte{0})
	return master, string(path), nil
}
