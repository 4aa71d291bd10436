//go:build !windows

package files

import (
	"errors"
	"os"
)

// syncFolder has the names in a folder on the disk.
func syncFolder(root *os.Root, dir string) error {
	f, err := root.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

const syncsReaders = true
