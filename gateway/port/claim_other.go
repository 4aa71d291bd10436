//go:build !linux && !darwin

package port

import "io"

// claim does nothing where the system itself lets only one program open a serial port.
func claim(string) (io.Closer, error) { return nothing{}, nil }

type nothing struct{}

func (nothing) Close() error { return nil }
