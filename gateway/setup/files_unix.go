//go:build unix

package setup

import (
	"io/fs"
	"os"
	"syscall"
)

// keepOwner gives a file the owner and the group of another.
func keepOwner(f *os.File, owner fs.FileInfo) error {
	have, err := f.Stat()
	if err != nil {
		return err
	}
	is, ok1 := have.Sys().(*syscall.Stat_t)
	want, ok2 := owner.Sys().(*syscall.Stat_t)
	if !ok1 || !ok2 || is.Uid == want.Uid && is.Gid == want.Gid {
		return nil
	}
	return f.Chown(int(want.Uid), int(want.Gid))
}

// syncFolder makes a name durable.
func syncFolder(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}
