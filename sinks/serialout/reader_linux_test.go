package serialout

import (
	"bytes"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/lending"
	"weighpost/gateway/port/pty"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// reader is a program at the other end of a serial line: a pseudo-terminal that can be unplugged.
type reader struct {
	cord        *pty.Cord
	acknowledge string

	mu    sync.Mutex
	got   []sinktest.Arrival
	rest  []byte
	hangs bool
	lose  bool
	ended bool
	done  chan struct{}
}

func startReader(t testing.TB, acknowledge string) *reader {
	r := &reader{cord: pty.NewCord(filepath.Join(t.TempDir(), "ttyLAB")), acknowledge: acknowledge, done: make(chan struct{})}
	if err := r.cord.Plug(); err != nil {
		t.Fatal(err)
	}
	go r.run()
	t.Cleanup(func() {
		r.change(func() { r.ended = true })
		r.pull(t)
		<-r.done
	})
	return r
}

func (r *reader) change(do func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	do()
}

func (r *reader) pull(t testing.TB) {
	if err := r.cord.Pull(); err != nil {
		t.Error(err)
	}
}

func (r *reader) plug(t testing.TB) {
	r.change(func() { r.rest = nil }) // a program that sees its adapter come back begins anew
	if err := r.cord.Plug(); err != nil {
		t.Error(err)
	}
}

func (r *reader) is(flag *bool) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return *flag
}

func (r *reader) run() {
	defer close(r.done)
	b := make([]byte, 4096)
	for !r.is(&r.ended) {
		n, err := r.cord.Read(b)
		if err != nil {
			time.Sleep(time.Millisecond) // pulled, or nobody has the other end open
			continue
		}
		for r.is(&r.hangs) && !r.is(&r.ended) {
			time.Sleep(time.Millisecond)
		}
		r.take(b[:n])
	}
}

func (r *reader) take(b []byte) {
	r.mu.Lock()
	r.rest = append(r.rest, b...)
	acks := 0
	for {
		i := bytes.IndexByte(r.rest, '\n')
		if i < 0 {
			break
		}
		line := bytes.Clone(r.rest[:i+1])
		r.rest = r.rest[i+1:]
		if bytes.HasSuffix(line, []byte("\x18\n")) {
			continue // cancelled, as ECMA-48 8.3.6 has it
		}
		r.got = append(r.got, sinktest.Arrival{Name: "line", Body: line})
		if acks++; r.lose {
			r.lose = false
			acks--
		}
	}
	r.mu.Unlock()
	for range acks {
		if r.acknowledge != "" {
			_, _ = r.cord.Write([]byte(r.acknowledge))
		}
	}
}

func (r *reader) received() []sinktest.Arrival {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]sinktest.Arrival(nil), r.got...)
}

func config(path string) *Config {
	c := Default()
	c.Port.Address, c.LineEnd, c.Acknowledge = path, "\n", "\x06"
	c.AcknowledgeWithin = c.AcknowledgeWithin / 10
	return c
}

var env = sinks.Env{Ports: lending.Ports{}}

func TestPromises(t *testing.T) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		r := startReader(t, "\x06")
		c := config(r.cord.Path())
		return sinktest.Harness{
			Open:       func() (sinks.Sink, error) { return c.Open("old-program", env) },
			Received:   r.received,
			Break:      func() { r.pull(t) },
			Mend:       func() { r.plug(t) },
			Hang:       func(on bool) { r.change(func() { r.hangs = on }) },
			LoseAnswer: func() { r.change(func() { r.lose = true }) },
		}
	})
}
