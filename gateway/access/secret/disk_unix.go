//go:build unix

package secret

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

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

// open says who beside its owner may read or change a file, or "".
func open(info fs.FileInfo) string {
	if info.Mode().Perm()&0o077 != 0 {
		return "others than its owner may read or change it"
	}
	return ""
}
