package pty

import "golang.org/x/sys/unix"

const getTermios, setTermios = unix.TIOCGETA, unix.TIOCSETA

// flushInput throws away what waits to be read: FREAD of tcflush(3) and sys/fcntl.h, from memory.
func flushInput(fd int) error { return unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, 1) }
