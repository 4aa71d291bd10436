//go:build unix

package gateway

import (
	"io/fs"
	"os"
	"syscall"
)

// keepOwner gives a file the owner and the group of another, as far as this user may.
func keepOwner(path string, like fs.FileInfo) {
	if s, ok := like.Sys().(*syscall.Stat_t); ok {
		if os.Chown(path, int(s.Uid), int(s.Gid)) != nil {
			_ = os.Chown(path, -1, int(s.Gid))
		}
	}
}

// syncFolder makes a rename durable.
func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return nil //nolint:nilerr // one that may be written and not listed: the rename has happened
	}
	defer f.Close()
	_ = f.Sync() // some file systems refuse it; the rename has happened
	return nil
}
