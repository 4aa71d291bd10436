//go:build linux || darwin

package demo

import (
	"io"
	"os"
	"path/filepath"

	"weighpost/gateway/port/pty"
)

const wireKind = "pseudo-terminals"

// newWire makes the line of one simulated balance: a pseudo-terminal under a name of its own.
func newWire(dir, id string) (address string, w io.Writer, pull func(), err error) {
	ports := filepath.Join(dir, "ports")
	if err := os.MkdirAll(ports, 0o755); err != nil {
		return "", nil, nil, err
	}
	cord := pty.NewCord(filepath.Join(ports, id))
	if err := cord.Plug(); err != nil {
		return "", nil, nil, err
	}
	return cord.Path(), cord, func() { _ = cord.Pull() }, nil
}
