//go:build unix

package backup

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

// syncFolder makes the names in a folder durable.
func syncFolder(root *os.Root) error {
	d, err := root.Open(".")
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, unix.EINVAL) || errors.Is(err, fs.ErrInvalid) {
		err = nil // some file systems cannot, and keep names durable by themselves
	}
	return errors.Join(err, d.Close())
}
