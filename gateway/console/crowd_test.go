package console

import (
	"context"
	"io"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// holders opens connections that ask for nothing, each with these first bytes, until stop is called: as many at once as most, and
// those that are sent away come again.
func holders(t *testing.T, h *house, most int, first string) (count, stop func() int) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	var mu sync.Mutex
	var conns []net.Conn
	opened := 0
	for range 4 {
		wg.Go(func() {
			for ctx.Err() == nil {
				c, err := net.DialTimeout("tcp", "127.0.0.1:"+h.port, time.Second)
				if err != nil {
					continue
				}
				_, _ = io.WriteString(c, first)
				mu.Lock()
				opened++
				conns = append(conns, c)
				var old net.Conn
				if len(conns) > most {
					old, conns = conns[0], conns[1:]
				}
				mu.Unlock()
				if old != nil {
					old.Close()
					time.Sleep(time.Millisecond)
				}
			}
		})
	}
	count = func() int {
		mu.Lock()
		defer mu.Unlock()
		return opened
	}
	return count, func() int {
		cancel()
		wg.Wait()
		for _, c := range conns {
			c.Close()
		}
		return opened
	}
}

// TestConnectionsForNothingKeepNobodyOut holds 5,000 connections open, in each way to hold one for nothing, and more that come on:
// whoever asks for something is answered meanwhile, and so is a stream that was there before. Opening so many takes a minute with
// the race detector: without WEIGHPOST_LONG=1 it is the silent ones only, 2,000 of them.
func TestConnectionsForNothingKeepNobodyOut(t *testing.T) {
	for _, c := range []struct{ name, first string }{
		{"silent", ""},
		{"half a header", "GET / HTTP/1.1\r\nHost: loc"},
		{"half a body", "POST /api/v1/session HTTP/1.1\r\nHost: localhost:PORT\r\nContent-Type: application/json\r\nContent-Length: 999\r\n\r\n{"},
		{"kept open", "GET /healthz HTTP/1.1\r\nHost: localhost:PORT\r\n\r\n"},
	} {
		connections, requests := 5000, 60
		if os.Getenv("WEIGHPOST_LONG") == "" {
			connections, requests = 2000, 20
			if c.name != "silent" {
				continue
			}
		}
		h := open(t)
		events := follow(t, h)
		<-events
		count, stop := holders(t, h, connections, strings.ReplaceAll(c.first, "PORT", h.port))
		until(t, func() bool { return count() > connections })
		var took []time.Duration
		for i := range requests {
			client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 10 * time.Second}
			began := time.Now()
			resp, err := client.Get(h.base + "/healthz")
			if err != nil || resp.StatusCode != 200 {
				t.Errorf("%s: request %d: %v", c.name, i, err)
				continue
			}
			resp.Body.Close()
			took = append(took, time.Since(began))
		}
		select {
		case _, alive := <-events:
			if !alive {
				t.Errorf("%s: the stream of a page was sent away", c.name)
			}
		case <-time.After(20 * time.Millisecond):
		}
		opened := stop()
		slices.Sort(took)
		if len(took) > 0 {
			t.Logf("%s: %d connections were opened; of %d requests half took up to %s, the longest %s", c.name, opened, len(took), took[len(took)/2], took[len(took)-1])
		}
		if opened < connections {
			t.Errorf("%s: only %d connections were opened", c.name, opened)
		}
	}
}

// TestWhoIsSentAway: never whoever is answered, first the address that has most, and of it the one that waits for longest.
func TestWhoIsSentAway(t *testing.T) {
	c := newCrowd(4)
	now := time.Now()
	come := func(from string) *guest {
		ours, theirs := net.Pipe()
		t.Cleanup(func() { theirs.Close() })
		return c.admit(named{ours, from}, now)
	}
	first, second := come("192.0.2.1:1"), come("192.0.2.1:2")
	come("192.0.2.2:1")
	come("192.0.2.3:1")
	c.set(&http.Request{RemoteAddr: "192.0.2.1:1"}, true)
	if come("192.0.2.4:1") != nil {
		t.Error("somebody was sent away who had no time to ask")
	}
	now = now.Add(2 * grace)
	if come("192.0.2.4:1") == nil || c.guests[second.key] != nil || c.guests[first.key] == nil {
		t.Errorf("%v", c.guests)
	}
	for key := range c.guests {
		c.set(&http.Request{RemoteAddr: key}, true)
	}
	if g := come("192.0.2.5:1"); g != nil || len(c.guests) != 4 {
		t.Error("somebody who is answered was sent away")
	}
	first.Close()
	first.Close()
	if g := come("192.0.2.5:1"); g == nil || len(c.guests) != 4 {
		t.Errorf("%d guests", len(c.guests))
	}
	for _, g := range c.guests {
		g.Close()
	}
	if len(c.guests) != 0 {
		t.Errorf("%d guests", len(c.guests))
	}
}

// named is a connection from a made-up address.
type named struct {
	net.Conn
	from string
}

func (n named) RemoteAddr() net.Addr { return address(n.from) }

type address string

func (a address) Network() string { return "tcp" }
func (a address) String() string  { return string(a) }
