//go:build !linux

package logging

import "io"

// isStream says whether w is the journal of systemd, which there is on Linux only.
func isStream(io.Writer, string) bool { return false }
