package mqtt

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// TestLinkDiesBeforePuback closes the link once the weighings went up and before any acknowledgement of them comes down:
// none may count as accepted, although the connection has ended.
func TestLinkDiesBeforePuback(t *testing.T) { each(t, testLinkDiesBeforePuback) }

func testLinkDiesBeforePuback(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	between := startProxy(t, broker.Addr())
	entries := sinktest.Weighings(30, 3)
	s := openSink(t, config(between.url()))
	if _, err := s.Deliver(within(t, 60*time.Second), nil); err != nil {
		t.Fatal(err)
	}
	for range 5 {
		armed := false
		between.set(func(_ *link, up bool, p *[]byte) verdict {
			switch {
			case up && !armed && bytes.Contains(*p, []byte(entries[0].ID)): // and no ping or echo of the sink's own
				armed = true
				return pass
			case !up && armed:
				between.behave = nil
				return cutEmpty(p)
			}
			return pass
		})
		n, err := s.Deliver(within(t, 60*time.Second), entries)
		if n != 0 || err == nil || errors.As(err, new(sinks.Unusable)) {
			t.Fatalf("accepted %d and said %v; want 0 and try again", n, err)
		}
		if _, err := s.Deliver(within(t, 60*time.Second), nil); err != nil {
			t.Fatal(err)
		}
	}
	deliverAll(within(t, 60*time.Second), t, s, entries)
	if lost, duplicates, disorder := far.verdict(entries); lost != 0 || disorder != 0 || duplicates == 0 {
		t.Errorf("lost %d, out of order %d, duplicates %d (some were to be expected)", lost, disorder, duplicates)
	}
}

// cutEmpty closes the link and passes nothing of p.
func cutEmpty(p *[]byte) verdict {
	*p = nil
	return cut
}

// TestBadLinks delivers through links that die in many ways and places; what arrived is judged on the far side.
func TestBadLinks(t *testing.T) { each(t, testBadLinks) }

func testBadLinks(t *testing.T, config func(string) Config) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	count, limit := 200, 100*time.Second
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		count, limit = 3000, 10*time.Minute
	}
	for _, x := range []struct {
		name   string
		behave func(random *rand.Rand) behaviour
	}{
		{"reset", func(random *rand.Rand) behaviour {
			return func(*link, bool, *[]byte) verdict { return pick(random, 6, reset) }
		}},
		{"closed", func(random *rand.Rand) behaviour {
			return func(*link, bool, *[]byte) verdict { return pick(random, 6, cut) }
		}},
		{"answers lost", func(random *rand.Rand) behaviour {
			return func(_ *link, up bool, p *[]byte) verdict {
				if !up && random.IntN(6) == 0 {
					return cutEmpty(p)
				}
				return pass
			}
		}},
		{"cut after 9 bytes", func(random *rand.Rand) behaviour {
			return func(l *link, up bool, p *[]byte) verdict {
				if up && l.up > 400 && len(*p) > 9 && random.IntN(4) == 0 {
					*p = (*p)[:9]
					return cut
				}
				return pass
			}
		}},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel() // most of it is waiting
			broker := mosquitto.Start(t, mosquitto.Options{})
			far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
			between := startProxy(t, broker.Addr())
			between.set(x.behave(rand.New(rand.NewPCG(seed, 0))))
			entries := sinktest.Weighings(count, seed)
			s := openSink(t, config(between.url()))
			ctx := within(t, limit)
			sizes := rand.New(rand.NewPCG(seed, 1)) // a small batch is one write, of which few would meet a fault
			for rest := entries; len(rest) > 0 && ctx.Err() == nil; {
				n, _ := s.Deliver(ctx, rest[:min(len(rest), 1+sizes.IntN(12))])
				rest = rest[n:]
			}
			between.set(nil)
			lost, duplicates, disorder := far.verdict(entries)
			t.Logf("%d connections, %d duplicates", between.connections(), duplicates)
			if lost != 0 || disorder != 0 {
				t.Errorf("lost %d, out of order %d", lost, disorder)
			}
			if between.connections() < 5 {
				t.Errorf("only %d connections: the link was not bad", between.connections())
			}
		})
	}
}

func pick(r *rand.Rand, n int, v verdict) verdict {
	if r.IntN(n) == 0 {
		return v
	}
	return pass
}

const shortKeepAlive = 2 * time.Second

// TestFrozenBrokerIsNoticed freezes the broker while weighings are on their way, and while nothing is.
func TestFrozenBrokerIsNoticed(t *testing.T) { each(t, testFrozenBrokerIsNoticed) }

func testFrozenBrokerIsNoticed(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	c := config(broker.URL())
	c.KeepAlive = strict.Duration(shortKeepAlive)
	s := openSink(t, c)
	entries := sinktest.Weighings(10, 3)
	deliverAll(within(t, 60*time.Second), t, s, entries[:5])

	broker.Freeze(t)
	noticed(t, "while delivering", func() {
		if n, err := s.Deliver(within(t, 30*time.Second), entries[5:]); n != 0 || err == nil {
			t.Errorf("a frozen broker accepted %d: %v", n, err)
		}
	})
	broker.Thaw(t)
	deliverAll(within(t, 60*time.Second), t, s, entries[5:])

	idle := s.current.Load()
	broker.Freeze(t)
	noticed(t, "while idle", func() {
		select {
		case <-idle.lost:
		case <-time.After(30 * time.Second):
			t.Error("never noticed")
		}
	})
	broker.Thaw(t)
	if lost, _, disorder := far.verdict(entries); lost != 0 || disorder != 0 {
		t.Errorf("lost %d, out of order %d", lost, disorder)
	}
}

// TestHalfOpenLinkIsNoticed has a link that carries nothing and closes nothing.
func TestHalfOpenLinkIsNoticed(t *testing.T) { each(t, testHalfOpenLinkIsNoticed) }

func testHalfOpenLinkIsNoticed(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	between := startProxy(t, broker.Addr())
	c := config(between.url())
	c.KeepAlive = strict.Duration(shortKeepAlive)
	s := openSink(t, c)
	entries := sinktest.Weighings(10, 3)
	deliverAll(within(t, 60*time.Second), t, s, entries[:5])
	between.set(func(*link, bool, *[]byte) verdict { return swallow })
	noticed(t, "half-open", func() {
		if n, err := s.Deliver(within(t, 30*time.Second), entries[5:]); n != 0 || err == nil {
			t.Errorf("accepted %d: %v", n, err)
		}
	})
	between.set(nil)
	deliverAll(within(t, 60*time.Second), t, s, entries[5:])
}

// noticed checks the promise of 1.5 times the keep-alive, with two seconds for a busy machine.
func noticed(t *testing.T, what string, wait func()) {
	t.Helper()
	began := time.Now()
	wait()
	took := time.Since(began)
	t.Logf("%s: noticed after %s, keep-alive %s", what, took.Round(time.Millisecond), shortKeepAlive)
	if took > shortKeepAlive*3/2+2*time.Second {
		t.Errorf("%s: noticed only after %s", what, took)
	}
}

// TestDeliverEndsWithFullPipe fills the link to a frozen broker, so that writes block, and ends the context: neither
// Deliver nor Close may hang in a write.
func TestDeliverEndsWithFullPipe(t *testing.T) { each(t, testDeliverEndsWithFullPipe) }

func testDeliverEndsWithFullPipe(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	s := openSink(t, config(broker.URL()))
	if _, err := s.Deliver(within(t, 60*time.Second), nil); err != nil {
		t.Fatal(err)
	}
	broker.Freeze(t)
	big := sinktest.Weighings(100, 3)
	for i := range big {
		big[i].JSON = append(append([]byte(`{"frame":"`), make([]byte, 200_000)...), `"}`...)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 500*time.Millisecond)
	defer cancel()
	began := time.Now()
	if n, err := s.Deliver(ctx, big); n != 0 || !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("accepted %d: %v", n, err)
	}
	if took := time.Since(began); took > 4*time.Second {
		t.Errorf("Deliver ended after %s", took)
	}
	began = time.Now()
	_ = s.Close()
	if took := time.Since(began); took > 10*time.Second {
		t.Errorf("Close ended after %s", took)
	} else {
		t.Logf("Close ended after %s", took.Round(time.Millisecond))
	}
}
