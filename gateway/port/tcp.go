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
	conn, err := c.dial(ctx)
	if err != nil {
		return nil, explain(c, err)
	}
	t := &tcp{conn: conn, writeLimit: c.WriteTimeout.D(), close: sync.OnceValue(conn.Close)}
	if err := t.reader.over(t.conn); err != nil {
		conn.Close()
		return nil, explain(c, err)
	}
	return t, nil
}

// dial connects to the device server.
func (c Config) dial(ctx context.Context) (*net.TCPConn, error) {
	probes := keepAlive(c.KeepAlive.D())
	dialler := net.Dialer{Timeout: c.DialTimeout.D(), KeepAliveConfig: probes}
	conn, err := dialler.DialContext(ctx, "tcp", c.hostPort())
	if err != nil {
		return nil, err
	}
	tcp := conn.(*net.TCPConn)
	raw, err := tcp.SyscallConn()
	if err == nil {
		err = raw.Control(func(fd uintptr) { giveUpUnanswered(fd, unheard(probes)) })
	}
	if err != nil {
		conn.Close()
		return nil, err
	}
	return tcp, nil
}

// keepAlive notices a server that went without a word after idle and three unanswered probes: see unheard. The system counts
// in whole seconds.
func keepAlive(idle time.Duration) net.KeepAliveConfig {
	idle = wholeSeconds(idle)
	return net.KeepAliveConfig{Enable: true, Idle: idle, Interval: max(wholeSeconds(idle/3), time.Second), Count: 3}
}

func wholeSeconds(d time.Duration) time.Duration { return (d + time.Second - 1).Truncate(time.Second) }

// unheard is after how long without a word from the server the connection is taken for lost: when idle, and also where
// something was sent that it never confirmed, for which the system would try for a quarter of an hour and never probe. It is
// a little less than idle and three probes, so that the last of them finds the time run out and no fourth is waited for.
func unheard(k net.KeepAliveConfig) time.Duration {
	return k.Idle + time.Duration(k.Count)*k.Interval - k.Interval/2
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
