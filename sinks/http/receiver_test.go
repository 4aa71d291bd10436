package http

import (
	"bytes"
	"io"
	"net"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

func TestMain(m *testing.M) {
	if file := os.Getenv(keptIn); file != "" {
		keep(os.Args[len(os.Args)-1], file)
		return
	}
	goleak.VerifyTestMain(m, toxic.Left()...)
}

// receiver is the far side: a server on a port that stays its own while it is down.
type receiver struct {
	t    *testing.T
	addr string

	mu      sync.Mutex
	server  *http.Server
	served  sync.WaitGroup
	got     []sinktest.Arrival
	headers []http.Header
	refuse  string // answered with 422 when the body holds it
	busy    time.Duration
	deny    bool
	lose    bool
	hang    chan struct{}
}

func newReceiver(t *testing.T) *receiver {
	r := &receiver{t: t, addr: "127.0.0.1:0"}
	r.start()
	t.Cleanup(r.stop)
	return r
}

func (r *receiver) start() {
	l, err := net.Listen("tcp", r.addr)
	if err != nil {
		r.t.Fatalf("the receiver's port: %v", err)
	}
	r.addr = l.Addr().String()
	r.server = &http.Server{Handler: r}
	r.served.Go(func() { _ = r.server.Serve(l) })
}

func (r *receiver) stop() {
	_ = r.server.Close()
	r.served.Wait()
}

func (r *receiver) set(f func()) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f()
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, req *http.Request) {
	body, err := io.ReadAll(req.Body)
	if err != nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if hang := r.hang; hang != nil {
		r.mu.Unlock()
		select {
		case <-hang:
		case <-req.Context().Done():
		}
		r.mu.Lock()
		return
	}
	switch {
	case r.deny:
		http.Error(w, "who are you", http.StatusUnauthorized)
		return
	case r.busy > 0:
		w.Header().Set("Retry-After", strconv.Itoa(int(r.busy/time.Second)))
		http.Error(w, "later", http.StatusServiceUnavailable)
		return
	case r.refuse != "" && bytes.Contains(body, []byte(`"id":"`+r.refuse+`"`)):
		http.Error(w, "unknown lot", http.StatusUnprocessableEntity)
		return
	}
	r.got = append(r.got, sinktest.Arrival{Name: req.Header.Get("Idempotency-Key"), Body: body})
	r.headers = append(r.headers, req.Header)
	if r.lose {
		r.lose = false
		c, _, err := w.(http.Hijacker).Hijack()
		if err == nil {
			c.Close()
		}
		return
	}
	w.WriteHeader(http.StatusCreated)
}

func (r *receiver) received() []sinktest.Arrival {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.got)
}

// last is the newest request that was taken.
func (r *receiver) last() (http.Header, []byte) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.headers[len(r.headers)-1], r.got[len(r.got)-1].Body
}

func (r *receiver) config(change ...func(*Config)) Config {
	c := *Default()
	c.URL = "http://" + r.addr + "/weighings"
	for _, f := range change {
		f(&c)
	}
	report := strict.NewReport("sink")
	c.Check(report)
	if err := report.Faults().Err(); err != nil {
		r.t.Fatal(err)
	}
	return c
}

func (r *receiver) harness(cfg Config) sinktest.Harness {
	return sinktest.Harness{
		Open:     func() (sinks.Sink, error) { return New(cfg, "lab-system", sinks.Env{}) },
		Received: r.received,
		Break:    r.stop,
		Mend:     r.start,
		Refuse:   func(id string) { r.set(func() { r.refuse = id }) },
		Busy:     func(d time.Duration) { r.set(func() { r.busy = d }) },
		Deny:     func(on bool) { r.set(func() { r.deny = on }) },
		Hang: func(on bool) {
			r.set(func() {
				if on {
					r.hang = make(chan struct{})
					return
				}
				close(r.hang)
				r.hang = nil
			})
		},
		LoseAnswer: func() { r.set(func() { r.lose = true }) },
	}
}

func TestPromises(t *testing.T) {
	for name, change := range map[string]func(*Config){
		"entry": func(*Config) {},
		"put":   func(c *Config) { c.Method, c.URL = http.MethodPut, c.URL+"/{id}?from=weighpost" },
		"lines": func(c *Config) { c.Body = Lines },
		"batch": func(c *Config) { c.Body, c.Format = Batch, format.NameNDJSON },
		"signed": func(c *Config) {
			c.Sign, _ = strict.SecretFrom("env:WEIGHPOST_TEST_SIGNING")
			t.Setenv("WEIGHPOST_TEST_SIGNING", newSecret()+" "+newSecret())
		},
		"array": func(c *Config) { c.Body = Array },
	} {
		t.Run(name, func(t *testing.T) {
			sinktest.Run(t, func(t *testing.T) sinktest.Harness {
				r := newReceiver(t)
				h := r.harness(r.config(change))
				h.Few = name == "put" || name == "signed" // each entry goes as it does in "entry"
				return h
			})
		})
	}
}

// TestTheKeyIsTheSameAtEveryAttempt delivers one entry twice, with its answer lost in between.
func TestTheKeyIsTheSameAtEveryAttempt(t *testing.T) {
	r := newReceiver(t)
	s := openSink(t, r.config())
	e := sinktest.Weighings(1, 1)
	r.set(func() { r.lose = true })
	for {
		if n, _ := s.Deliver(t.Context(), e); n == 1 {
			break
		}
	}
	got := r.received()
	if len(got) != 2 || got[0].Name != got[1].Name || got[0].Name != `"`+e[0].ID+`"` || !bytes.Equal(got[0].Body, got[1].Body) {
		t.Errorf("%d arrivals: %v", len(got), got)
	}
	for _, h := range r.headers {
		if h.Get("Content-Type") != "application/json" || !strings.HasPrefix(h.Get("User-Agent"), "weighpost") {
			t.Errorf("headers %v", h)
		}
	}
}

func openSink(t *testing.T, cfg Config) *Sink {
	t.Helper()
	s, err := New(cfg, "lab-system", sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}
