package journal

import (
	"os"

	"golang.org/x/sys/unix"
)

// syncData is fdatasync: on Linux it also makes a changed size durable.
func syncData(f *os.File) error {
	for {
		err := unix.Fdatasync(int(f.Fd()))
		if err == nil {
			return nil
		}
		if err != unix.EINTR {
			return &os.PathError{Op: "sync", Path: f.Name(), Err: err}
		}
	}
}
