package mqtt

import (
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
)

func stateOf(of, id string, n int) sinks.State {
	schema := record.BalanceStatusSchema
	if of == sinks.OfSink {
		schema = record.SinkStatusSchema
	}
	return sinks.State{Of: of, ID: id, Body: fmt.Appendf(nil, `{"schema":%q,"n":%d}`, schema, n)}
}

// keptStates is what the broker shows of balances and destinations to somebody who subscribes only now, by topic below the site.
func keptStates(t *testing.T, broker *mosquitto.Broker) map[string]string {
	t.Helper()
	late, base := collect(t, "tcp://"+broker.Addr(), "weighpost/"+testSite+"/#"), "weighpost/"+testSite+"/"
	kept := map[string]string{}
	for _, m := range late.messages("/status") {
		if topic := strings.TrimPrefix(m.Topic(), base); m.Retained() && topic != "status" {
			kept[topic] = string(m.Payload())
		}
	}
	return kept
}

// TestStatesAreRetainedAndTakenBack: in one life with a loss, through what came and went meanwhile, and what was left over before.
func TestStatesAreRetainedAndTakenBack(t *testing.T) { each(t, testStatesAreRetainedAndTakenBack) }

func testStatesAreRetainedAndTakenBack(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{})
	far := collect(t, "tcp://"+broker.Addr(), "weighpost/#")
	for topic, body := range map[string]string{"gone": string(stateOf(sinks.OfBalance, "gone", 1).Body), "foreign": "hello",
		"@/sink/gone": string(stateOf(sinks.OfSink, "gone", 1).Body)} {
		far.client.Publish("weighpost/"+testSite+"/"+topic+"/status", 1, true, body).Wait()
	}
	between := startProxy(t, broker.Addr())
	s := openSink(t, config(between.url()))
	wanted := map[string]string{"foreign/status": "hello"}
	shows := func(what string, list ...sinks.State) {
		t.Helper()
		for topic := range wanted {
			if topic != "foreign/status" {
				delete(wanted, topic)
			}
		}
		for _, one := range list {
			wanted[strings.TrimPrefix(s.topics.state(one.Of, one.ID), s.topics.base+"/")] = string(one.Body)
		}
		var kept map[string]string
		for limit := time.Now().Add(30 * time.Second); ; time.Sleep(20 * time.Millisecond) {
			if kept = keptStates(t, broker); fmt.Sprint(kept) == fmt.Sprint(wanted) {
				return
			}
			if time.Now().After(limit) {
				t.Fatalf("%s: the broker keeps %v and not %v", what, kept, wanted)
			}
		}
	}
	first := []sinks.State{stateOf(sinks.OfBalance, "b-01", 1), stateOf(sinks.OfBalance, "rye/+#\x00", 1), stateOf(sinks.OfSink, "b-01", 1), {Of: sinks.OfSink, ID: "bad", Body: []byte("{")}}
	s.States(first)
	shows("at first", first[:3]...)
	s.States([]sinks.State{stateOf(sinks.OfBalance, "b-01", 2), first[1], first[2]})
	shows("after a change", stateOf(sinks.OfBalance, "b-01", 2), first[1], first[2])
	if n := len(far.messages("/b-01/status")); n != 3 { // two of the balance, and one of the destination
		t.Errorf("%d messages of b-01: what did not change was published again", n)
	}
	s.States(first[1:2])
	shows("after two went", first[1])

	between.down()
	s.States([]sinks.State{stateOf(sinks.OfBalance, "b-02", 3)})
	between.up()
	shows("after a loss", stateOf(sinks.OfBalance, "b-02", 3))
	deliverAll(within(t, 30*time.Second), t, s, sinktest.Weighings(20, 1))
	if lost, _, _ := far.verdict(sinktest.Weighings(20, 1)); lost != 0 {
		t.Errorf("%d weighings are lost", lost)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s.States(first) // does nothing
}

// TestStatesThatAreDroppedAreNoFault: an access list that forbids them is told in the log, and deliveries go on.
func TestStatesThatAreDroppedAreNoFault(t *testing.T) { each(t, testStatesThatAreDroppedAreNoFault) }

func testStatesThatAreDroppedAreNoFault(t *testing.T, config func(string) Config) {
	broker := mosquitto.Start(t, mosquitto.Options{Users: map[string]string{"bank": "poppy seed"},
		ACL: "user bank\ntopic readwrite weighpost/+/status\ntopic readwrite weighpost/+/+/weighing\n"})
	c := config(broker.URL())
	c.Username, c.Password, c.KeepAlive = "bank", secret(t, "poppy seed"), 2_000_000_000
	log := &diary{}
	s, err := New(c, "bench", sinks.Env{Site: testSite, Log: slog.New(slog.NewTextHandler(log, nil))})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	s.States([]sinks.State{stateOf(sinks.OfBalance, "b-01", 1)})
	deliverAll(within(t, 30*time.Second), t, s, sinktest.Weighings(20, 1))
	eventually(t, 30*time.Second, "the log says so", func() bool {
		return strings.Contains(log.text(), "does not give back what is published of balances")
	})
}

// diary keeps what is logged.
type diary struct {
	mu sync.Mutex
	b  strings.Builder
}

func (s *diary) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

func (s *diary) text() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.String()
}

// TestTopicsOfStates: each has one, no other topic is taken for one.
func TestTopicsOfStates(t *testing.T) {
	topics := newTopics("lab/weighpost", testSite)
	for _, id := range []string{"b-01", "@", "status", "a/b", "+", "#", "", "rye\x00", "sink"} {
		for _, of := range []string{sinks.OfBalance, sinks.OfSink} {
			if topic := topics.state(of, id); !topics.isState(topic) || strings.ContainsAny(topic, "+#\x00") {
				t.Errorf("%s %q: %q", of, id, topic)
			}
		}
	}
	if topics.state("person", "p-07") != "" {
		t.Error("a person has a state")
	}
	for _, topic := range []string{topics.status(), topics.checkpoint(), topics.live("b-01"), topics.base + "/a/b/status", topics.base + "/@/sink/a/b/status",
		topics.base + "/@/sink/status", "lab/weighpost/other/b-01/status", topics.answer("b-01", actRead)} {
		if topics.isState(topic) {
			t.Errorf("%s is taken for a state", topic)
		}
	}
}
