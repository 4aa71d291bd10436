package journal

import (
	"os"

	"golang.org/x/sys/unix"
)

// syncData is fdatasync: on Linux it also makes a changed size durable.
func syncData(f *os.File) error {
	for {
		if err := unix.Fdatasync(int(f.Fd())); err != unix.EINTR {
			return os.NewSyscallError("fdatasync", err)
		}
	}
}
