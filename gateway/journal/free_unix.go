//go:build unix

package journal

import (
	"os"

	"golang.org/x/sys/unix"
)

// freeOn gives the bytes that an ordinary user may still write to the disk of a folder.
func freeOn(dir string) (uint64, error) {
	var s unix.Statfs_t
	for {
		err := unix.Statfs(dir, &s)
		if err == unix.EINTR {
			continue
		}
		if err != nil {
			return 0, &os.PathError{Op: "statfs", Path: dir, Err: err}
		}
		return uint64(s.Bavail) * uint64(s.Bsize), nil
	}
}
