package port

import (
	"context"
	"os"
	"sync"
	"time"
)

// tcp is a raw connection to a device server: what comes is what the balance sent.
type tcp struct {
	reader
	conn       *connection
	writeLimit time.Duration
	close      func() error
}

func openTCP(ctx context.Context, c Config) (Port, error) {
	conn, err := c.dial(ctx)
	if err != nil {
		return nil, explain(c, err)
	}
	t := &tcp{conn: conn, writeLimit: c.WriteTimeout.D(), close: sync.OnceValue(conn.Close)}
	if err := t.reader.over(conn.TCPConn); err != nil {
		conn.Close()
		return nil, explain(c, err)
	}
	return t, nil
}

// Read gives what comes.
func (t *tcp) Read(p []byte) (int, error) {
	n, err := t.reader.Read(p)
	return n, t.conn.why(err)
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
