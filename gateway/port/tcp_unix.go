//go:build unix

package port

import "net"

// reader is what a tcp port reads with: where the poller lets us see that nothing waits, it tells when that was.
type reader struct{ polled }

func (r *reader) over(conn *net.TCPConn) error {
	raw, err := conn.SyscallConn()
	if err != nil {
		return err
	}
	r.polled.init(raw)
	return nil
}

func (r *reader) closing() { r.closed.Store(true) }
