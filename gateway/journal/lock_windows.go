package journal

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lockFile locks one byte far behind the process id, because Windows keeps others from reading what is locked.
func lockFile(f *os.File) error {
	const far = 1 << 30
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY,
		0, 1, 0, &windows.Overlapped{Offset: far})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING) {
		return errLocked
	}
	return err
}

// noSpace says whether a write failed for want of space.
func noSpace(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}

// syncDir has nothing to do: Windows has no sync of a folder, and NTFS logs its names.
func syncDir(string) error { return nil }
