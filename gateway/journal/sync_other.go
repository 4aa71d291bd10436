//go:build !linux

package journal

import "os"

func syncData(f *os.File) error { return f.Sync() }
