package journal

import (
	"errors"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// allocate takes up space for a file, at once where the file system can.
func allocate(f *os.File, size int64) error {
	for {
		err := unix.Fallocate(int(f.Fd()), 0, 0, size)
		switch {
		case err == unix.EINTR:
			continue
		case errors.Is(err, unix.EOPNOTSUPP), errors.Is(err, unix.ENOSYS):
			return zeros(f, size)
		}
		return os.NewSyscallError("fallocate", err)
	}
}

// taken is how many bytes of the disk a file takes up.
func taken(is os.FileInfo) uint64 {
	if s, ok := is.Sys().(*syscall.Stat_t); ok {
		return uint64(s.Blocks) * 512
	}
	return uint64(is.Size())
}
