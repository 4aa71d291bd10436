//go:build !linux

package qualify

import "os"

func datasync(f *os.File) error { return f.Sync() }

// fileSystem cannot name it here.
func fileSystem(string) (name, refused string) { return "not known on this system", "" }

func system() string { return "" }
