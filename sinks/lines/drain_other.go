//go:build !linux

package lines

import (
	"context"
	"net"
)

// UnconfirmedTCP is 0: this system does not tell what the other computer has.
func UnconfirmedTCP(*net.TCPConn) (int, error) { return 0, nil }

// DrainTCP does not wait: this system does not tell what the other computer has.
func DrainTCP(context.Context, *net.TCPConn) error { return nil }
