//go:build unix

package journal

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

// lockFile takes an advisory lock that ends with the descriptor, or says errLocked.
func lockFile(f *os.File) error {
	for {
		err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		switch {
		case err == nil:
			return nil
		case errors.Is(err, unix.EWOULDBLOCK):
			return errLocked
		case err != unix.EINTR:
			return os.NewSyscallError("flock", err)
		}
	}
}

// noSpace says whether a write failed for want of space: a full disk, a quota, a limit on the size of files.
func noSpace(err error) bool {
	return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT) || errors.Is(err, unix.EFBIG)
}

// syncDir makes the names in a folder durable.
func syncDir(name string) error {
	d, err := os.Open(name)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, unix.EINVAL) || errors.Is(err, fs.ErrInvalid) {
		err = nil // some file systems cannot, and keep names durable by themselves
	}
	return errors.Join(err, d.Close())
}
