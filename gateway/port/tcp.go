package port

import (
	"context"
	"net"
	"os"
	"sync"
	"time"
)

// tcp is a raw connection to a device server: what comes is what the balance sent.
type tcp struct {
	reader
	conn       *net.TCPConn
	writeLimit time.Duration
	close      func() error
}

func openTCP(ctx context.Context, c Config) (Port, error) {
	dialler := net.Dialer{
		Timeout:         c.DialTimeout.D(),
		KeepAliveConfig: keepAlive(c.KeepAlive.D()),
	}
	conn, err := dialler.DialContext(ctx, "tcp", c.hostPort())
	if err != nil {
		return nil, explain(c, err)
	}
	t := &tcp{conn: conn.(*net.TCPConn), writeLimit: c.WriteTimeout.D(), close: sync.OnceValue(conn.Close)}
	if err := t.reader.over(t.conn); err != nil {
		conn.Close()
		return nil, explain(c, err)
	}
	return t, nil
}

// keepAlive notices a server that went without a word after idle and three unanswered probes: about twice idle.
func keepAlive(idle time.Duration) net.KeepAliveConfig {
	return net.KeepAliveConfig{Enable: true, Idle: idle, Interval: max(idle/3, time.Second), Count: 3}
}

func (t *tcp) SetReadDeadline(at time.Time) error { return t.conn.SetReadDeadline(at) }

func (t *tcp) Write(p []byte) (int, error) {
	if err := t.conn.SetWriteDeadline(time.Now().Add(t.writeLimit)); err != nil {
		return 0, err
	}
	n, err := t.conn.Write(p)
	if err != nil && os.IsTimeout(err) {
		err = os.ErrDeadlineExceeded
	}
	return n, err
}

func (t *tcp) Close() error {
	t.reader.closing()
	return t.close()
}
