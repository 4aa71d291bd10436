//go:build !unix

package dropped

import (
	"io/fs"
	"os"
)

const openFlags = 0

// links is how many names a file has, which is not to be had here without opening it.
func links(fs.FileInfo) uint64 { return 1 }

// syncDir does nothing: the system offers no way to make names durable.
func syncDir(*os.Root, string) error { return nil }
