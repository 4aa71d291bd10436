//go:build !unix

package port

import (
	"net"
	"os"
	"sync/atomic"
	"time"
)

// reader is what a tcp port reads with; here only the time that a read takes tells whether bytes had waited for it.
type reader struct {
	conn    *net.TCPConn
	closed  atomic.Bool
	emptied time.Time
	waited  bool
}

func (r *reader) over(conn *net.TCPConn) error { r.conn = conn; return nil }
func (r *reader) closing()                     { r.closed.Store(true) }

func (r *reader) Read(p []byte) (int, error) {
	before := time.Now()
	n, err := r.conn.Read(p)
	if r.waited = time.Since(before) >= atOnce; r.waited {
		r.emptied = before
	}
	switch {
	case r.closed.Load():
		return 0, os.ErrClosed
	case err != nil && os.IsTimeout(err):
		return n, os.ErrDeadlineExceeded
	}
	return n, err
}

// Emptied is when the reader last found the port empty, and whether the last read did.
func (r *reader) Emptied() (last time.Time, waited bool) { return r.emptied, r.waited }
