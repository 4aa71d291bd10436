package console

import (
	"net"
	"net/http"
	"sync"
	"time"
)

// crowd keeps the connections of the page within a limit. Where there is no room for one more, the connection goes that has
// waited for longest, from the address that has most: one that sent nothing, or half a header, or a body slowly, or that is kept
// open for later. Whoever is being answered is never sent away, so that however many hold connections for nothing, the next one
// gets in. The zero value has no limit.
type crowd struct {
	limit int

	mu     sync.Mutex
	guests map[string]*guest // by the address of the other end, with its port
}

// guest is one connection.
type guest struct {
	net.Conn
	crowd     *crowd
	key, host string
	busy      bool      // a request of it is being answered
	since     time.Time // when it came, or was answered last
	gone      sync.Once
}

func newCrowd(limit int) *crowd { return &crowd{limit: limit, guests: map[string]*guest{}} }

// crowded is a listener whose connections are a crowd.
type crowded struct {
	net.Listener
	crowd *crowd
}

const (
	// grace is how long everybody has to send something before they are sent away: so many times the time that a request needs
	// to come in. It bounds how fast connections for nothing can come.
	grace = 50 * time.Millisecond
	// crowdTime is how long a connection waits at the door where everybody is being answered.
	crowdTime = time.Second
)

func (l crowded) Accept() (net.Conn, error) {
	for {
		c, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		for limit := time.Now().Add(crowdTime); time.Now().Before(limit); time.Sleep(grace / 25) {
			if g := l.crowd.admit(c, time.Now()); g != nil {
				return g, nil
			}
		}
		c.Close()
	}
}

// admit takes a connection in, and sends another away where that makes room. nil: there is none to send away yet.
func (c *crowd) admit(conn net.Conn, now time.Time) *guest {
	g := &guest{Conn: conn, crowd: c, key: conn.RemoteAddr().String(), since: now}
	g.host = g.key
	if host, _, err := net.SplitHostPort(g.key); err == nil {
		g.host = host
	}
	c.mu.Lock()
	var out *guest
	if len(c.guests) >= c.limit {
		if out = c.leaver(now); out == nil {
			c.mu.Unlock()
			return nil
		}
		delete(c.guests, out.key)
	}
	c.guests[g.key] = g
	c.mu.Unlock()
	if out != nil {
		out.Close()
	}
	return g
}

// leaver is who goes first. The lock is held.
func (c *crowd) leaver(now time.Time) (out *guest) {
	many := map[string]int{}
	for _, g := range c.guests {
		many[g.host]++
	}
	for _, g := range c.guests {
		if g.busy || now.Sub(g.since) < grace {
			continue
		}
		if out == nil || many[g.host] > many[out.host] || many[g.host] == many[out.host] && g.since.Before(out.since) {
			out = g
		}
	}
	return out
}

// Close takes the connection out of the crowd.
func (g *guest) Close() error {
	g.gone.Do(func() {
		g.crowd.mu.Lock()
		defer g.crowd.mu.Unlock()
		if g.crowd.guests[g.key] == g {
			delete(g.crowd.guests, g.key)
		}
	})
	return g.Conn.Close()
}

// set says whether a request that came over a connection is being answered.
func (c *crowd) set(r *http.Request, busy bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if g := c.guests[r.RemoteAddr]; g != nil {
		g.busy, g.since = busy, time.Now()
	}
}

// answering marks the connection of each request while next answers it.
func (c *crowd) answering(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c.set(r, true)
		defer c.set(r, false)
		next.ServeHTTP(w, r)
	})
}
