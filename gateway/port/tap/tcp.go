package tap

import (
	"bytes"
	"context"
	"errors"
	"net"
	"slices"
	"sync"
	"syscall"
	"time"
)

// tcp is a listener for one program at a time.
type tcp struct {
	listener net.Listener
	turnAway func(from, why string)
	ended    chan struct{}    // closed when the accepting goroutine has ended
	fresh    chan *connection // never holds more than one
	once     sync.Once

	mu     sync.Mutex
	closed bool
	busy   *connection   // the program that is there, or waits in fresh
	freed  chan struct{} // told when it has gone
}

// connection is one program.
type connection struct {
	net.Conn
	door  *tcp
	once  sync.Once
	heard bool // something was read
}

// Read says errBrowser instead of what a browser sends: any page on the web can have a browser connect to a port of its own
// computer, and the balance would take what the page has it send for commands.
func (c *connection) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if n > 0 && !c.heard && isRequest(p[:n]) {
		c.door.turnAway(c.RemoteAddr().String(), "it speaks HTTP, as a browser does, and nothing of it was sent to the balance")
		return 0, errBrowser
	}
	c.heard = c.heard || n > 0
	return n, err
}

var errBrowser = errors.New("this is no program for a balance: it speaks HTTP")

// isRequest says whether p begins like a request of HTTP/1 (RFC 9112, section 3) with a method that a browser uses.
func isRequest(p []byte) bool {
	method, _, ok := bytes.Cut(p[:min(len(p), 10)], []byte(" /"))
	return ok && slices.Contains([]string{"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"}, string(method))
}

func (c *connection) close() {
	c.once.Do(func() {
		_ = c.Conn.Close()
		c.door.free(c)
	})
}

func (t *Tap) openTCP(ctx context.Context) (door, error) {
	// A program whose computer went without a word is noticed within about half a minute. Where bytes for it are on their way
	// it takes as long as the system tries to send them: some 15 minutes on Linux.
	lc := net.ListenConfig{KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 15 * time.Second, Interval: 5 * time.Second, Count: 3}}
	l, err := lc.Listen(ctx, "tcp", t.cfg.Listen)
	if err != nil {
		return nil, listenTrouble(err)
	}
	d := &tcp{listener: l, turnAway: t.turnAway, ended: make(chan struct{}), fresh: make(chan *connection, 1), freed: make(chan struct{}, 1)}
	go func() {
		defer close(d.ended)
		d.accept()
	}()
	return d, nil
}

func listenTrouble(err error) error {
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return &trouble{what: "another program listens at this address already", remedy: "Choose another port number for the tap.", err: errors.Unwrap(err)}
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return &trouble{what: "this computer does not have this address", remedy: "Correct listen of the tap.", err: errors.Unwrap(err)}
	}
	return &trouble{what: "this address cannot be listened at", remedy: "See what the system says.", err: err}
}

// accept takes the first program, and turns others away while it is there.
func (d *tcp) accept() {
	for {
		conn, err := d.listener.Accept()
		switch {
		case errors.Is(err, net.ErrClosed):
			return
		case err != nil: // such as too many open files: it passes
			time.Sleep(100 * time.Millisecond)
			continue
		}
		if tcp, ok := conn.(*net.TCPConn); ok {
			_ = tcp.SetWriteBuffer(bufferSize) // or megabytes of old lines would wait in the system for a program that stands still
		}
		if c := (&connection{Conn: conn, door: d}); !d.take(c) && !(d.soonFree() && d.take(c)) {
			d.turnAway(conn.RemoteAddr().String(), "another one is at the tap, and one at a time can be")
			c.close()
		}
	}
}

func (d *tcp) take(c *connection) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed || d.busy != nil {
		return false
	}
	d.busy = c
	select {
	case <-d.freed: // was told of the one before
	default:
	}
	d.fresh <- c
	return true
}

// leaving is how long a program may take to go while the next one waits: one that connects anew may be there before its old
// connection was seen to end.
const leaving = 250 * time.Millisecond

func (d *tcp) soonFree() bool {
	timer := time.NewTimer(leaving)
	defer timer.Stop()
	select {
	case <-d.freed:
		return true
	case <-timer.C:
		return false
	}
}

func (d *tcp) free(c *connection) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.busy != c {
		return
	}
	d.busy = nil
	select {
	case d.freed <- struct{}{}:
	default:
	}
}

func (d *tcp) next(ctx context.Context) (session, error) {
	select {
	case c := <-d.fresh: // what came before is gone: close has freed the door
		return c, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-d.ended:
		return nil, net.ErrClosed
	}
}

func (d *tcp) close() {
	d.once.Do(func() {
		d.mu.Lock()
		d.closed = true
		d.mu.Unlock()
		_ = d.listener.Close()
		<-d.ended
		select {
		case c := <-d.fresh:
			c.close()
		default:
		}
	})
}

// turnAway counts a program that may not talk.
func (t *Tap) turnAway(from, why string) {
	t.note(func(s *Status) { s.Turned++ })
	t.log.Warn("a program was turned away from the tap", "why", why, "from", from)
}
