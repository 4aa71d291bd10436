package sparkplug

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"

	"weighpost/sinks"
	"weighpost/sinks/mqtt"
	"weighpost/sinks/mqtt/mosquitto"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// TestTheNextBrokerGetsWhatComes while the first is away: another session there, with births of its own.
func TestTheNextBrokerGetsWhatComes(t *testing.T) {
	t.Parallel() // most of it is waiting
	first, second := mosquitto.Start(t, mosquitto.Options{}), mosquitto.Start(t, mosquitto.Options{})
	between := toxic.Start(t, first.Addr())
	a := listen(t, first)
	b := &host{}
	c := config(first)
	c.Broker, c.Brokers = "", []string{"mqtt://" + between.Addr(), second.URL()}
	b.joinAs(t, second, "second-host")
	t.Cleanup(func() { b.client.Disconnect(50) })
	s := open(t, c)
	entries := fresh(t, sinktest.Weighings(9, 9))
	deliver(t, s, entries[:3])
	a.until(t, ddata, 3)
	between.Down()
	deliver(t, s, entries[3:6])
	b.until(t, ddata, 3)
	if b.count(nbirth) != 1 || b.count(dbirth) == 0 || a.count(ddata) != 3 {
		t.Errorf("the second heard %d and %d births, the first %d data", b.count(nbirth), b.count(dbirth), a.count(ddata))
	}
	if s.Far() != "" || !strings.Contains(c.Destination(), between.Addr()) || !strings.Contains(c.Destination(), second.Addr()) {
		t.Errorf("the far side is %q, the destination %q", s.Far(), c.Destination())
	}
}

// TestNoneOfTheBrokers: a person has to act only where that is so of all.
func TestNoneOfTheBrokers(t *testing.T) {
	unusable, away := sinks.Unusable{Err: errors.New("bad user name")}, errors.New("refused")
	for _, x := range []struct {
		faults []error
		lasts  bool
	}{{[]error{unusable}, true}, {[]error{unusable, unusable}, true}, {[]error{away}, false}, {[]error{unusable, away}, false}, {[]error{away, unusable}, false}} {
		if err := mqtt.Together(x.faults); errors.As(err, new(sinks.Unusable)) != x.lasts || !strings.Contains(err.Error(), x.faults[0].Error()) {
			t.Errorf("%v: %v", x.faults, err)
		}
	}
}

// TestAMessageThatIsTooLargeIsSetAside, and what comes behind it goes out.
func TestAMessageThatIsTooLargeIsSetAside(t *testing.T) {
	t.Parallel()                                                                    // most of it is waiting
	broker := mosquitto.Start(t, mosquitto.Options{Extra: "max_packet_size 70000"}) // who sends more loses the connection
	h := listen(t, broker)
	s := open(t, config(broker))
	entries := fresh(t, sinktest.Weighings(3, 9))
	var w map[string]json.RawMessage
	if err := json.Unmarshal(entries[1].JSON, &w); err != nil {
		t.Fatal(err)
	}
	w["context"] = append(append([]byte(`{"sample":{"by":"typed","id":"`), bytes.Repeat([]byte("x"), 80_000)...), `"}}`...)
	entries[1].JSON, _ = json.Marshal(w)
	n, err := s.Deliver(t.Context(), entries)
	if n != 1 || !errors.As(err, new(sinks.Refused)) || !strings.Contains(err.Error(), "at most 65536 are published") {
		t.Fatalf("accepted %d and said %v", n, err)
	}
	deliver(t, s, entries[2:])
	h.until(t, ddata, 2)
	if h.count(nbirth) != 1 {
		t.Error("the connection was lost over it")
	}
}
