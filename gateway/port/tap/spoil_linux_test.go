package tap

import (
	"os"
	"testing"

	"golang.org/x/sys/unix"
)

// spoil has a program set everything that a terminal can do to bytes, and leave lines unread.
func spoil(t *testing.T, path string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_RDWR|unix.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	raw, err := f.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	_ = raw.Control(func(fd uintptr) {
		s, err := unix.IoctlGetTermios(int(fd), unix.TCGETS)
		if err != nil {
			t.Fatal(err)
		}
		s.Iflag |= unix.ICRNL | unix.IXON
		s.Oflag |= unix.OPOST | unix.ONLCR
		s.Lflag |= unix.ECHO | unix.ICANON | unix.ISIG
		if err := unix.IoctlSetTermios(int(fd), unix.TCSETS, s); err != nil {
			t.Fatal(err)
		}
	})
}
