package mqtt

import (
	"net"
	"sync"
	"testing"
)

// proxy stands between the sink and the broker and can misbehave in ways that a broker does not.
type proxy struct {
	t      testing.TB
	addr   string
	target string

	mu       sync.Mutex
	listener net.Listener
	links    map[*link]bool
	behave   behaviour
	wg       sync.WaitGroup
	opened   int
}

// link is one connection through the proxy.
type link struct {
	client, server net.Conn
	up             int // bytes that came from the client
}

// verdict is what becomes of the bytes just read.
type verdict int

const (
	pass    verdict = iota
	swallow         // as if the link were dead: nothing arrives, nothing is closed
	cut             // close both sides
	reset           // close both sides with RST
)

// behaviour judges bytes that travel up, to the broker, or down. It may cut p short. It runs under the proxy's lock.
type behaviour func(l *link, up bool, p *[]byte) verdict

func startProxy(t testing.TB, target string) *proxy {
	t.Helper()
	p := &proxy{t: t, target: target, links: make(map[*link]bool)}
	p.listen("127.0.0.1:0")
	p.addr = p.listener.Addr().String()
	t.Cleanup(func() {
		p.down()
		p.wg.Wait()
	})
	return p
}

func (p *proxy) url() string { return "mqtt://" + p.addr }

func (p *proxy) listen(addr string) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		p.t.Errorf("proxy: %v", err)
		return
	}
	p.mu.Lock()
	p.listener = l
	p.mu.Unlock()
	p.wg.Add(1)
	go p.accept(l)
}

// down refuses new connections and ends those that there are.
func (p *proxy) down() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.listener != nil {
		p.listener.Close()
		p.listener = nil
	}
	for l := range p.links {
		l.close(false)
	}
}

func (p *proxy) up() { p.listen(p.addr) }

// set makes every link behave so from now on; nil is honest.
func (p *proxy) set(b behaviour) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.behave = b
}

// connections is how many were accepted so far.
func (p *proxy) connections() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.opened
}

func (p *proxy) accept(listener net.Listener) {
	defer p.wg.Done()
	for {
		client, err := listener.Accept()
		if err != nil {
			return
		}
		server, err := net.Dial("tcp", p.target)
		if err != nil {
			client.Close()
			continue
		}
		l := &link{client: client, server: server}
		p.mu.Lock()
		p.links[l] = true
		p.opened++
		closed := p.listener != listener
		p.mu.Unlock()
		if closed {
			l.close(false)
		}
		p.wg.Add(2)
		go p.pump(l, true, client, server)
		go p.pump(l, false, server, client)
	}
}

func (p *proxy) pump(l *link, up bool, from, to net.Conn) {
	defer p.wg.Done()
	defer func() {
		l.close(false)
		p.mu.Lock()
		delete(p.links, l)
		p.mu.Unlock()
	}()
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		if err != nil {
			return
		}
		b, v := buf[:n], pass
		p.mu.Lock()
		if p.behave != nil {
			v = p.behave(l, up, &b)
		}
		if up {
			l.up += n
		}
		p.mu.Unlock()
		if v == swallow {
			continue
		}
		if v == pass || v == cut {
			if _, err := to.Write(b); err != nil {
				return
			}
		}
		if v != pass {
			l.close(v == reset)
			return
		}
	}
}

func (l *link) close(reset bool) {
	if reset {
		_ = l.client.(*net.TCPConn).SetLinger(0)
		_ = l.server.(*net.TCPConn).SetLinger(0)
	}
	l.client.Close()
	l.server.Close()
}
