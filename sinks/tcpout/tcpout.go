// Package tcpout delivers entries as lines over TCP, to programs that connect or to one that is called. What a delivery means
// there is said in package lines.
package tcpout

import (
	"context"
	"net"
	"time"

	"weighpost/sinks/lines"
)

// probing notices a program whose computer went without a word within about half a minute.
var probing = net.KeepAliveConfig{Enable: true, Idle: 15 * time.Second, Interval: 5 * time.Second, Count: 3}

// unsent bounds what may wait in this computer for a program that stands still.
const unsent = 64 << 10

// conn is one program.
type conn struct{ *net.TCPConn }

// Drain waits until the other computer has what was written, where the system tells.
func (c conn) Drain(ctx context.Context) error { return lines.DrainTCP(ctx, c.TCPConn) }

// Unconfirmed is how much of what was written the other computer does not have yet.
func (c conn) Unconfirmed() (int, error) { return lines.UnconfirmedTCP(c.TCPConn) }

func connOf(c net.Conn) lines.Conn {
	tcp := c.(*net.TCPConn) // what dials and listens below speaks tcp
	_ = tcp.SetWriteBuffer(unsent)
	return conn{tcp}
}

// listener takes programs in.
type listener struct {
	address string
	at      net.Listener
}

func (l *listener) Next(ctx context.Context) (lines.Conn, string, error) {
	if l.at == nil {
		lc := net.ListenConfig{KeepAliveConfig: probing}
		at, err := lc.Listen(ctx, "tcp", l.address)
		if err != nil {
			return nil, "", err
		}
		l.at = at
	}
	defer context.AfterFunc(ctx, func() { _ = l.at.Close() })()
	c, err := l.at.Accept()
	if err != nil {
		return nil, "", err
	}
	return connOf(c), c.RemoteAddr().String(), nil
}

func (l *listener) Close() error {
	if l.at == nil {
		return nil
	}
	return l.at.Close()
}

// dialler calls a program.
type dialler struct{ address string }

// callTime is how long a call may take to be answered.
const callTime = 5 * time.Second

func (d *dialler) Next(ctx context.Context) (lines.Conn, string, error) {
	to := net.Dialer{Timeout: callTime, KeepAliveConfig: probing}
	c, err := to.DialContext(ctx, "tcp", d.address)
	if err != nil {
		return nil, "", err
	}
	return connOf(c), d.address, nil
}

func (d *dialler) Close() error { return nil }
