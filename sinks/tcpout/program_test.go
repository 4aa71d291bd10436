package tcpout

import (
	"bufio"
	"net"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// program is one that connects, reads lines and, where it is told to, acknowledges them.
type program struct {
	address     string
	acknowledge string

	mu      sync.Mutex
	got     []sinktest.Arrival
	conn    net.Conn
	away    bool
	hangs   bool
	lose    bool
	ended   bool
	resumed *sync.Cond
	done    chan struct{}
}

func startProgram(t testing.TB, address, acknowledge string) *program {
	p := &program{address: address, acknowledge: acknowledge, done: make(chan struct{})}
	p.resumed = sync.NewCond(&p.mu)
	go p.run()
	t.Cleanup(func() {
		p.change(func() { p.ended, p.away = true, true })
		<-p.done
	})
	return p
}

func (p *program) change(do func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	do()
	if p.away && p.conn != nil {
		p.conn.Close()
	}
	p.resumed.Broadcast()
}

func (p *program) run() {
	defer close(p.done)
	for {
		p.mu.Lock()
		for p.away && !p.ended {
			p.resumed.Wait()
		}
		ended := p.ended
		p.mu.Unlock()
		if ended {
			return
		}
		c, err := net.Dial("tcp", p.address)
		if err != nil {
			time.Sleep(2 * time.Millisecond)
			continue
		}
		p.change(func() { p.conn = c })
		p.read(c)
		c.Close()
	}
}

func (p *program) read(c net.Conn) {
	r := bufio.NewReader(c)
	for {
		line, err := r.ReadBytes('\n')
		if err != nil {
			return
		}
		p.mu.Lock()
		for p.hangs && !p.ended {
			p.resumed.Wait()
		}
		p.got = append(p.got, sinktest.Arrival{Name: "line", Body: line})
		lose := p.lose
		p.lose = false
		p.mu.Unlock()
		if lose {
			return
		}
		if p.acknowledge != "" {
			if _, err := c.Write([]byte(p.acknowledge)); err != nil {
				return
			}
		}
	}
}

func (p *program) received() []sinktest.Arrival {
	p.mu.Lock()
	defer p.mu.Unlock()
	return append([]sinktest.Arrival(nil), p.got...)
}

func config(address string) *Config {
	c := Default()
	c.Listen, c.LineEnd, c.Acknowledge = address, "\n", "\x06"
	return c
}

func TestPromises(t *testing.T) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		c := config(needs.FreeAddress(t))
		p := startProgram(t, c.Listen, c.Acknowledge)
		return sinktest.Harness{
			Open:       func() (sinks.Sink, error) { return c.Open("old-program", sinks.Env{}) },
			Received:   p.received,
			Break:      func() { p.change(func() { p.away = true }) },
			Mend:       func() { p.change(func() { p.away = false }) },
			Hang:       func(on bool) { p.change(func() { p.hangs = on }) },
			LoseAnswer: func() { p.change(func() { p.lose = true }) },
		}
	})
}
