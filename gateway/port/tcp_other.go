//go:build !unix

package port

import (
	"net"
	"os"
	"sync/atomic"
)

// reader is what a tcp port reads with; here it cannot tell when nothing waited.
type reader struct {
	conn   *net.TCPConn
	closed atomic.Bool
}

func (r *reader) over(conn *net.TCPConn) error { r.conn = conn; return nil }
func (r *reader) closing()                     { r.closed.Store(true) }

func (r *reader) Read(p []byte) (int, error) {
	n, err := r.conn.Read(p)
	switch {
	case r.closed.Load():
		return 0, os.ErrClosed
	case err != nil && os.IsTimeout(err):
		return n, os.ErrDeadlineExceeded
	}
	return n, err
}
