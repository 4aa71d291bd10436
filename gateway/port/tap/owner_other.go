//go:build !unix

package tap

import "io/fs"

// ours is asked for pseudo-terminals only, which this system does not have.
func ours(fs.FileInfo) bool { return false }
