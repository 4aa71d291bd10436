package mqtt

import (
	"encoding/json"
	"log/slog"
	"math/rand/v2"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

// side is one of two brokers, with a subscriber of its own, and a proxy through which the sink reaches it: after a kill the sink
// comes only once the subscriber is back, since the broker then has forgotten it.
type side struct {
	broker  *mosquitto.Broker
	far     *collector
	between *proxy
}

func startSide(t *testing.T) *side {
	b := mosquitto.Start(t, mosquitto.Options{Extra: "max_inflight_messages 0"}) // all is passed on before it is acknowledged
	return &side{b, collect(t, "tcp://"+b.Addr(), "weighpost/#"), startProxy(t, b.Addr())}
}

func (s *side) kill(t *testing.T) (mend func()) {
	s.broker.Kill(t)
	s.between.down()
	return func() {
		s.broker.Start(t)
		s.far.barrier()
		s.between.up()
	}
}

func (s *side) freeze(t *testing.T) (mend func()) {
	s.broker.Freeze(t)
	return func() { s.broker.Thaw(t) }
}

// openBoth opens a sink with two brokers, that asks often whether the first is back.
func openBoth(t *testing.T, config func(string) Config, a, b *side) *Sink {
	t.Helper()
	c := config("")
	c.Broker, c.Brokers, c.KeepAlive = "", []string{a.between.url(), b.between.url()}, strict.Duration(2*time.Second)
	s, err := newSink(c, "bench", sinks.Env{Site: testSite, Log: slog.New(slog.NewTextHandler(testWriter{t}, nil))}, 300*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

// present is the number of the broker in use, or -1.
func (s *Sink) present() int {
	if current := s.current.Load(); current != nil && current.open() {
		return current.broker
	}
	return -1
}

// TestTwoBrokers has two real mosquittos, of which one or the other is killed or frozen at random under traffic. Over both
// together nothing is lost, and nothing arrives altered.
func TestTwoBrokers(t *testing.T) {
	t.Parallel() // most of it is waiting
	rounds := 4
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		rounds = 50
	}
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	a, b := startSide(t), startSide(t)
	s := openBoth(t, config5, a, b)
	var sent atomic.Int64
	var all []record.Entry
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for entries := sinktest.Weighings(rounds*5000, seed); len(entries) > 0; {
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
			}
			batch := entries[:min(len(entries), 10)]
			deliverAll(within(t, 120*time.Second), t, s, batch)
			all, entries = append(all, batch...), entries[len(batch):]
			sent.Add(int64(len(batch)))
		}
	}()
	moved := 0
	for round := range rounds {
		one := []*side{a, b}[random.IntN(2)]
		if round == 0 {
			one = a // or a run of bad luck shows nothing
		}
		before := s.present()
		hurt := one.kill
		if round%2 == 1 {
			hurt = one.freeze
		}
		mend := hurt(t)
		at := sent.Load()
		eventually(t, 120*time.Second, "the other broker gets what comes", func() bool { return sent.Load() > at+30 })
		if s.present() != before {
			moved++
		}
		mend()
		eventually(t, 120*time.Second, "the first broker is used again", func() bool { return s.present() == 0 })
	}
	close(stop)
	<-done
	// A broker acknowledges a message before its subscribers have it.
	var missing []string
	for limit := time.Now().Add(20 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		arrived := map[string]string{}
		for _, x := range []*side{a, b} {
			for _, m := range x.far.arrivals() {
				e, err := record.ParseEntry(m.Body)
				if err != nil {
					t.Fatal(err)
				}
				arrived[e.ID] = string(m.Body)
			}
		}
		missing = missing[:0]
		for _, e := range all {
			if arrived[e.ID] != string(e.JSON) {
				missing = append(missing, e.ID)
			}
		}
		if len(missing) == 0 || time.Now().After(limit) {
			break
		}
	}
	if len(missing) > 0 {
		t.Errorf("at neither broker, or altered: %q", missing)
	}
	t.Logf("%d rounds, %d moves, %d weighings", rounds, moved, len(all))
	if moved == 0 || len(b.far.arrivals()) == 0 {
		t.Error("the second broker got nothing, so this shows nothing")
	}
}

// TestComesBackToTheFirstBroker: the second serves while the first is away; then the sink goes back, and the second one's status
// says that it did.
func TestComesBackToTheFirstBroker(t *testing.T) {
	t.Parallel() // most of it is waiting
	a, b := startSide(t), startSide(t)
	a.between.down()
	s := openBoth(t, config, a, b)
	entries := sinktest.Weighings(30, 3)
	deliverAll(within(t, 120*time.Second), t, s, entries[:10])
	if s.present() != 1 || len(b.far.arrivals()) != 10 {
		t.Fatalf("broker %d, %d arrived at the second", s.present(), len(b.far.arrivals()))
	}
	a.between.up()
	eventually(t, 120*time.Second, "the first broker is used again", func() bool { return s.present() == 0 })
	deliverAll(within(t, 120*time.Second), t, s, entries[10:])
	if len(a.far.arrivals()) != 20 || len(b.far.arrivals()) != 10 {
		t.Errorf("%d arrived at the first, %d at the second", len(a.far.arrivals()), len(b.far.arrivals()))
	}
	var last Status
	if err := json.Unmarshal(kept(t, b.broker, statusTopic).Payload(), &last); err != nil || last.State != "offline" || last.Why != whyMoved {
		t.Errorf("the second shows %+v: %v", last, err)
	}
	if err := json.Unmarshal(kept(t, a.broker, statusTopic).Payload(), &last); err != nil || last.State != "online" {
		t.Errorf("the first shows %+v: %v", last, err)
	}
}

// TestNoBrokerOfSeveral says what is wrong with each, and that another try may help where one only is away.
func TestNoBrokerOfSeveral(t *testing.T) {
	t.Parallel() // most of it is waiting
	broker := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"bank": "poppy seed"}})
	away := startProxy(t, broker.Addr())
	away.down()
	c := config("")
	c.Broker, c.Brokers = "", []string{away.url(), broker.URL()}
	_, err := openSink(t, c).Deliver(within(t, 120*time.Second), sinktest.Weighings(1, 1))
	if class(err) != "again" || !strings.Contains(err.Error(), "check username") || !strings.Contains(err.Error(), away.addr) {
		t.Errorf("got %v", err)
	}
	c.Brokers = []string{broker.URL()}
	mustBeUnusable(t, openSink(t, c), "check username")
}

// TestDestinationOfSeveralBrokers is one for any order of preference, and not that of one of them.
func TestDestinationOfSeveralBrokers(t *testing.T) {
	several := func(list ...string) *Config {
		c := Default()
		c.Brokers = list
		return c
	}
	one := several("mqtts://A.example", "mqtts://b.example:8884").Destination()
	if one != "mqtt mqtts://a.example:8883, mqtts://b.example:8884 weighpost/" {
		t.Error(one)
	}
	if two := several("ssl://b.example:8884", "tls://a.example:8883").Destination(); two != one {
		t.Errorf("%s is another", two)
	}
	alone := Default()
	alone.Broker = "mqtts://a.example"
	if several("mqtts://a.example").Destination() != alone.Destination() || alone.Destination() == one {
		t.Error("a list of one is not that one")
	}
}
