package mqtt

import (
	"context"
	"errors"
	"flag"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// sideBySide is how many tests may run at a time: nearly all of their time they wait, for brokers and for limits.
const sideBySide = "4"

func TestMain(m *testing.M) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "test.parallel" })
	if !given {
		_ = flag.Set("test.parallel", sideBySide)
	}
	goleak.VerifyTestMain(m, toxic.Left()...)
}

const testSite = "north-seed-bank"

// config is a sink's configuration for a test broker.
func config(url string) Config {
	c := Default()
	c.Broker = url
	return *c
}

// config5 is the same for MQTT 5.
func config5(url string) Config {
	c := config(url)
	c.Version = version5
	return c
}

// each runs a test in both versions of MQTT, beside others: most of it is waiting.
func each(t *testing.T, run func(t *testing.T, config func(url string) Config)) {
	t.Parallel()
	eachAlone(t, func(t *testing.T, config func(url string) Config) {
		t.Parallel()
		run(t, config)
	})
}

// eachAlone is each with nothing beside it.
func eachAlone(t *testing.T, run func(t *testing.T, config func(url string) Config)) {
	t.Run("3.1.1", func(t *testing.T) { run(t, config) })
	t.Run("5", func(t *testing.T) { run(t, config5) })
}

func openSink(t testing.TB, c Config) *Sink {
	t.Helper()
	s, err := New(c, "bench", sinks.Env{Site: testSite, Log: slog.New(slog.NewTextHandler(testWriter{t}, nil))})
	if err != nil {
		t.Fatal(err)
	}
	var closed atomic.Bool
	t.Cleanup(func() {
		if closed.CompareAndSwap(false, true) {
			_ = s.Close()
		}
	})
	return s
}

type testWriter struct{ t testing.TB }

func (w testWriter) Write(p []byte) (int, error) {
	w.t.Log(strings.TrimSpace(string(p)))
	return len(p), nil
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
			t.Errorf("%d entries are left: %v", len(entries), err)
			return
		case <-time.After(5 * time.Millisecond):
		}
	}
}

func within(t testing.TB, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

// eventually waits for a state.
func eventually(t testing.TB, limit time.Duration, what string, state func() bool) {
	t.Helper()
	for end := time.Now().Add(limit); !state(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within %s: %s", limit, what)
		}
	}
}

// secret keeps a password as a configuration refers to it.
func secret(t testing.TB, text string) strict.Secret {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := strict.SecretFrom("file:" + path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestPromises runs the suite of all sinks on a real mosquitto, with a proxy before it that fails on demand, and a
// subscriber on the broker itself that sees what arrived.
func TestPromises(t *testing.T) { each(t, testPromises) }

func testPromises(t *testing.T, config func(string) Config) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		broker := mosquitto.Start(t, mosquitto.Options{Extra: "max_inflight_messages 0"})
		far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
		between := startProxy(t, broker.Addr())
		return sinktest.Harness{
			Open: func() (sinks.Sink, error) {
				c := config(between.url())
				return New(c, "bench", sinks.Env{Site: testSite})
			},
			Received: far.arrivals,
			Break:    between.down,
			Mend:     between.up,
			Deny: func(deny bool) {
				o := mosquitto.Options{Extra: "max_inflight_messages 0"}
				if deny {
					o.Users = map[string]string{"collector": "far side"}
				}
				broker.Stop(t)
				broker.Configure(t, o)
				broker.Start(t)
			},
			Hang: func(hang bool) {
				if hang {
					between.set(func(*link, bool, *[]byte) verdict { return swallow })
				} else {
					between.set(nil)
				}
			},
			LoseAnswer: func() {
				between.set(func(_ *link, up bool, _ *[]byte) verdict {
					if up {
						return pass
					}
					between.behave = nil // under the proxy's lock already
					return reset
				})
			},
		}
	})
}
