package nats

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"weighpost/sinks"
)

// link is one connection to one server. It is never mended: the library keeps nothing for later and does not connect again by
// itself, since what it sent after a loss would overtake what Deliver then tries again.
type link struct {
	conn   *nats.Conn
	js     jetstream.JetStream
	stream string
	takes  []string      // subjects that the stream takes in
	gone   chan struct{} // closed when the connection has ended
	broken chan error    // what a server said about our rights; room for one
	dialer *dialer
	pace   pace
}

const (
	dialLimit = 5 * time.Second
	pingEvery = 10 * time.Second // two that are not answered end the connection
)

// dial connects to one of the servers and looks at the stream.
func (s *Sink) dial(ctx context.Context) (*link, error) {
	l := &link{stream: s.cfg.Stream, gone: make(chan struct{}), broken: make(chan error, 1), dialer: &dialer{ctx: ctx}, pace: newPace(s.cfg.InFlight)}
	options, err := s.cfg.options(s.id)
	if err != nil {
		return nil, sinks.Unusable{Err: err}
	}
	options = append(options,
		nats.SetCustomDialer(l.dialer), nats.ClosedHandler(func(*nats.Conn) { close(l.gone) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { l.complain(err) }))
	stop := context.AfterFunc(ctx, l.dialer.close)
	defer stop()
	l.conn, err = nats.Connect(strings.Join(s.cfg.Servers, ","), options...)
	if err != nil {
		l.dialer.close()
		if ctx.Err() != nil {
			return nil, fmt.Errorf("no NATS server was reached: %w", ctx.Err())
		}
		return nil, judgeConnect(err)
	}
	if l.js, err = jetstream.New(l.conn); err == nil {
		err = l.look(ctx, &s.cfg)
	}
	if err != nil {
		l.close()
		return nil, err
	}
	return l, nil
}

func (l *link) complain(err error) {
	if errors.Is(err, nats.ErrPermissionViolation) {
		select {
		case l.broken <- err:
		default: // the first says enough
		}
	}
}

// violated gives what a server said about our rights, if it did so just now.
func (l *link) violated() error {
	select {
	case err := <-l.broken:
		return denied(err)
	default:
		return nil
	}
}

func (l *link) alive() bool {
	select {
	case <-l.gone:
		return false
	default:
		return l.conn.IsConnected()
	}
}

// close ends the connection at once. The socket goes first: a server that does not read would hold up the library.
func (l *link) close() {
	l.dialer.close()
	l.conn.Close()
	select {
	case <-l.gone:
	case <-time.After(time.Second):
	}
}

// options are those of the library. Files and secrets are read anew for each connection: they may have been renewed.
func (c *Config) options(id string) ([]nats.Option, error) {
	o, err := c.Connection.Options()
	return append(o,
		nats.Name("weighpost "+id), nats.NoReconnect(), nats.ReconnectBufSize(-1), nats.Timeout(dialLimit),
		nats.PingInterval(pingEvery), nats.MaxPingsOutstanding(2), nats.FlusherTimeout(dialLimit), nats.IgnoreDiscoveredServers(),
	), err
}

// dialer makes the sockets of one link and can end them at any time.
type dialer struct {
	ctx context.Context // of the one call of dial that it serves: the interface of the library has no room for it

	mu     sync.Mutex
	last   net.Conn
	closed bool
}

// Dial is called by the library.
func (d *dialer) Dial(network, address string) (net.Conn, error) {
	c, err := (&net.Dialer{Timeout: dialLimit, KeepAlive: 15 * time.Second}).DialContext(d.ctx, network, address)
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		c.Close()
		return nil, net.ErrClosed
	}
	d.last = c
	return c, nil
}

func (d *dialer) close() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = true
	if d.last != nil {
		d.last.Close()
	}
}

func sortedNames(h nats.Header) []string { return slices.Sorted(maps.Keys(h)) }
