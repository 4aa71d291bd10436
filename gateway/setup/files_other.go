//go:build !unix

package setup

import (
	"io/fs"
	"os"
)

// keepOwner does nothing: files take their owner from the folder here.
func keepOwner(*os.File, fs.FileInfo) error { return nil }

// syncFolder does nothing: a folder cannot be synced here.
func syncFolder(string) error { return nil }
