package backup

import (
	"os"

	"golang.org/x/sys/unix"
)

// forgetCached asks the system to drop its copy of a file, so that reading it back reads the disk. It may not, and nobody says.
func forgetCached(f *os.File) { _ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) }
