//go:build unix

package dropped

import (
	"errors"
	"io/fs"
	"os"
	"syscall"
)

// openFlags keep a pipe that somebody put in a file's place from holding up whoever opens it.
const openFlags = syscall.O_NONBLOCK | syscall.O_NOFOLLOW

// links is how many names a file has.
func links(info fs.FileInfo) uint64 {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return uint64(st.Nlink)
	}
	return 1
}

// syncDir makes names in a folder durable. Some file systems of networks know no such thing.
func syncDir(root *os.Root, name string) error {
	d, err := root.Open(name)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.Sync(); err != nil && !errors.Is(err, syscall.EINVAL) && !errors.Is(err, errors.ErrUnsupported) {
		return err
	}
	return nil
}
