package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// conn is the network connection under one MQTT client. Every write has a time limit, the reason for which it was dropped
// from our side is told to whoever reads or writes, and packets that a broker has no business to send are refused before
// anything is allocated or indexed by what they claim.
type conn struct {
	net.Conn
	tcp        *net.TCPConn // under TLS or the same; nil if it is something else
	writeLimit time.Duration
	guard      guard
	dropped    atomic.Pointer[error]
	closing    sync.Once
}

func newConn(c, raw net.Conn, writeLimit time.Duration) *conn {
	tcp, _ := raw.(*net.TCPConn)
	return &conn{Conn: c, tcp: tcp, writeLimit: writeLimit}
}

// drop ends the connection without a DISCONNECT, so that the broker sends the last will. It may be called more than once
// and from any goroutine; the first reason is kept.
func (c *conn) drop(why error) {
	c.dropped.CompareAndSwap(nil, &why)
	c.Close()
}

// Close closes the connection once.
func (c *conn) Close() (err error) {
	c.closing.Do(func() { err = c.Conn.Close() })
	return err
}

func (c *conn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if n > 0 {
		if c.tcp != nil {
			acknowledgeSoon(c.tcp)
		}
		if bad := c.guard.inspect(p[:n]); bad != nil {
			return 0, bad
		}
	}
	return n, c.reason(err)
}

func (c *conn) Write(p []byte) (int, error) {
	if err := c.writeUntil(context.Background(), p); err != nil {
		return 0, err
	}
	return len(p), nil
}

// hurry is how long a write may still take when it is called off: one that is not stuck ends well before.
const hurry = 100 * time.Millisecond

// writeUntil writes everything, within the limit and at most a moment after ctx ends, or drops the connection: part of a packet may have
// gone out, and nothing may follow it. Only one goroutine may write at a time.
func (c *conn) writeUntil(ctx context.Context, p []byte) error {
	if err := c.Conn.SetWriteDeadline(time.Now().Add(c.writeLimit)); err != nil {
		return c.reason(err)
	}
	hurried := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(hurried)
		_ = c.Conn.SetWriteDeadline(time.Now().Add(hurry)) // an error is what we want
	})
	_, err := c.Conn.Write(p)
	if !stop() {
		<-hurried // or it would hurry the next write
	}
	if err != nil {
		c.drop(err)
	}
	return c.reason(err)
}

// reason replaces the error of a connection that we dropped.
func (c *conn) reason(err error) error {
	if why := c.dropped.Load(); err != nil && why != nil {
		return gone{*why}
	}
	return err
}

// gone is why we dropped a connection. It wraps the reason without words of its own.
type gone struct{ error }

func (g gone) Unwrap() error { return g.error }

// maxPacket is the largest packet that we send or take, in bytes. Entries are far smaller.
const maxPacket = 1 << 20

// guard follows the packets of the incoming stream (clause 2.2 in 3.1.1, 2.1 in 5) and refuses what a broker must not send to a
// client that subscribes to one topic at a time with QoS 1.
type guard struct {
	five   bool // MQTT 5
	kind   byte // control packet type of the current packet, 0 between packets
	shift  uint // bits of the remaining length read so far
	length int
	body   int // bytes of the current packet still to come
}

var errLength = errors.New("the broker sent a packet with a length that MQTT does not allow")

func (g *guard) inspect(p []byte) error {
	for len(p) > 0 {
		switch {
		case g.body > 0:
			n := min(g.body, len(p))
			g.body -= n
			p = p[n:]
		case g.kind == 0:
			if err := g.allowed(p[0]); err != nil {
				return err
			}
			g.kind, g.shift, g.length = p[0]>>4, 0, 0
			p = p[1:]
		default:
			if g.shift > 21 {
				return errLength
			}
			g.length |= int(p[0]&0x7f) << g.shift
			g.shift += 7
			if p[0]&0x80 == 0 {
				if err := g.fits(g.kind, g.length); err != nil {
					return err
				}
				g.body, g.kind = g.length, 0
			}
			p = p[1:]
		}
	}
	return nil
}

// Control packet types that a broker sends (clause 2.2.1).
const (
	connack  = 2
	publish  = 3
	puback   = 4
	suback   = 9
	unsuback = 11
	pingresp = 13
)

// allowed checks the first byte of a packet.
func (g *guard) allowed(first byte) error {
	switch kind, flags := first>>4, first&0x0f; kind {
	case disconnect: // of a broker only in MQTT 5
		if g.five {
			return nil
		}
	case publish:
		if flags&0x04 != 0 {
			return errors.New("the broker sent a message with a QoS that was not asked for")
		}
		return nil
	case connack, puback, suback, unsuback, pingresp:
		if g.five && flags != 0 {
			return errors.New("the broker sent a packet with flags that MQTT 5 does not allow")
		}
		return nil
	}
	version := "3.1.1"
	if g.five {
		version = "5"
	}
	return fmt.Errorf("the broker sent a packet of type %d, which has no place in this conversation: is it an MQTT %s broker?", first>>4, version)
}

// maxControl is the largest packet that is no message, in bytes, of MQTT 5: the broker's own words may be in it.
const maxControl = 64 << 10

// fits checks the remaining length of a packet against its type (clauses 3.2, 3.4, 3.9, 3.11, 3.13).
func (g *guard) fits(kind byte, length int) error {
	if g.five {
		return fits5(kind, length)
	}
	ok := false
	switch kind {
	case publish:
		ok = length >= 2 && length <= 2*maxPacket
	case connack, puback, unsuback:
		ok = length == 2
	case suback:
		ok = length == 3
	case pingresp:
		ok = length == 0
	}
	if !ok {
		return errLength
	}
	return nil
}

// fits5 is the same for MQTT 5, where most packets may hold properties.
func fits5(kind byte, length int) error {
	least, most := 0, maxControl
	switch kind {
	case publish:
		least, most = 3, 2*maxPacket
	case connack, puback:
		least = 2
	case suback, unsuback:
		least = 4
	case pingresp:
		most = 0
	}
	if length < least || length > most {
		return errLength
	}
	return nil
}
