package nats

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	natsgo "github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/nats/natstest"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, toxic.Left()...) }

const testSite = "north-seed-bank"

// config is a sink's configuration for test servers that stand alone.
func config(urls ...string) Config {
	c := Default()
	c.Servers, c.Create, c.Replicas = urls, true, 1
	return *c
}

func openSink(t testing.TB, c Config) *Sink {
	t.Helper()
	s, err := New(c, "bench", sinks.Env{Site: testSite})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func within(t testing.TB, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

// deliverAll delivers as package deliver does: from where the sink stopped, until all is accepted.
func deliverAll(ctx context.Context, t testing.TB, s sinks.Sink, entries []record.Entry) {
	t.Helper()
	for len(entries) > 0 {
		n, err := s.Deliver(ctx, entries[:min(len(entries), 100)])
		entries = entries[n:]
		if err == nil {
			continue
		}
		if errors.As(err, new(sinks.Refused)) || errors.As(err, new(sinks.Unusable)) {
			t.Errorf("a passing fault is told as a lasting one: %v", err)
			return
		}
		select {
		case <-ctx.Done():
			t.Errorf("%d entries are still waiting: %v", len(entries), err)
			return
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// reader is another program that reads the stream, message by message.
type reader struct {
	t      testing.TB
	conn   *natsgo.Conn
	stream string

	mu   sync.Mutex
	next uint64
	all  []*jetstream.RawStreamMsg
}

func read(t testing.TB, url, stream string, options ...natsgo.Option) *reader {
	t.Helper()
	options = append(options, natsgo.MaxReconnects(-1), natsgo.ReconnectWait(50*time.Millisecond), natsgo.RetryOnFailedConnect(true))
	conn, err := natsgo.Connect(url, options...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(conn.Close)
	return &reader{t: t, conn: conn, stream: stream, next: 1}
}

// messages gives all that the stream has, in its order.
func (r *reader) messages() []*jetstream.RawStreamMsg {
	r.mu.Lock()
	defer r.mu.Unlock()
	js, err := jetstream.New(r.conn)
	if err != nil {
		r.t.Fatal(err)
	}
	var last uint64
	const patience = 30 * time.Second // with nothing that comes
	for end := time.Now().Add(patience); ; time.Sleep(50 * time.Millisecond) {
		ctx, cancel := context.WithTimeout(context.Background(), 3*time.Second)
		s, err := js.Stream(ctx, r.stream)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			cancel()
			return nil
		}
		for err == nil {
			if last = s.CachedInfo().State.LastSeq; r.next > last {
				cancel()
				return append([]*jetstream.RawStreamMsg(nil), r.all...)
			}
			var m *jetstream.RawStreamMsg
			if m, err = s.GetMsg(ctx, r.next); err == nil {
				r.all = append(r.all, m)
				r.next++
				end = time.Now().Add(patience)
			}
		}
		cancel()
		if time.Now().After(end) {
			r.t.Fatalf("the stream cannot be read (%d of %d are): %v", len(r.all), last, err)
		}
	}
}

func (r *reader) arrivals() (list []sinktest.Arrival) {
	for _, m := range r.messages() {
		list = append(list, sinktest.Arrival{Name: m.Subject, Body: m.Data})
	}
	return list
}

// verdict says what of the entries never arrived, arrived more than once, or for the first time behind a later one of its balance. What
// was altered, or was never sent, fails the test.
func (r *reader) verdict(sent []record.Entry) (lost, duplicates, disorder int) {
	r.t.Helper()
	want := map[string]record.Entry{}
	for _, e := range sent {
		want[e.ID] = e
	}
	seen, newest := map[string]bool{}, map[string]uint64{}
	for _, m := range r.messages() {
		id := m.Header.Get("Nats-Msg-Id")
		e, there := want[id]
		if !there || !bytes.Equal(e.JSON, m.Data) {
			r.t.Errorf("%s arrived altered, or was never sent: %s", id, m.Data)
			continue
		}
		if seen[id] {
			duplicates++
			continue
		}
		seen[id] = true
		if e.Seq < newest[e.Balance] {
			disorder++
		}
		newest[e.Balance] = max(newest[e.Balance], e.Seq)
	}
	return len(sent) - len(seen), duplicates, disorder
}

func TestPromises(t *testing.T) {
	t.Parallel()
	servers := natstest.Start(t, natstest.Options{})
	streams := 0
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		streams++
		c := config()
		c.Stream, c.Prefix = fmt.Sprintf("S%d", streams), fmt.Sprintf("s%d", streams)
		between := toxic.Start(t, servers.Addr(0))
		far := read(t, servers.URLs()[0], c.Stream)
		c.Servers = []string{"nats://" + between.Addr()}
		thaw := func() {}
		return sinktest.Harness{
			Open:     func() (sinks.Sink, error) { return New(c, "bench", sinks.Env{Site: testSite}) },
			Received: far.arrivals,
			Break:    between.Down,
			Mend:     func() { between.Up(t) },
			Deny: func(deny bool) {
				o := natstest.Options{}
				if deny {
					o.Authorization = "user: collector, password: farside"
				}
				servers.Stop(t, 0)
				servers.Configure(t, o)
				servers.Run(t, 0)
			},
			Hang: func(hang bool) {
				if thaw(); hang {
					thaw = between.Add(t, "timeout", "upstream", `{"timeout": 0}`)
				}
			},
			LoseAnswer: func() {
				mend := between.Add(t, "limit_data", "downstream", `{"bytes": 0}`)
				time.AfterFunc(300*time.Millisecond, mend)
			},
		}
	})
}

// mustBe checks that Deliver accepts nothing and says so in words that hold these.
func mustBe[T error](t *testing.T, s *Sink, words ...string) {
	t.Helper()
	n, err := s.Deliver(within(t, 20*time.Second), sinktest.Weighings(2, 1))
	if n != 0 || !errors.As(err, new(T)) {
		t.Fatalf("accepted %d and said %v", n, err)
	}
	for _, w := range words {
		if !strings.Contains(err.Error(), w) {
			t.Errorf("%q does not say %q", err, w)
		}
	}
	t.Log(err)
}
