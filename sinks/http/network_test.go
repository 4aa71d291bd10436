package http

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// TestThroughABadNetwork: at the far end each id is there, unaltered and in order, and what arrives twice has the same key.
func TestThroughABadNetwork(t *testing.T) {
	rounds, random := needs.Rounds(t, 16, 100)
	r := newReceiver(t)
	between := toxic.Start(t, r.addr)
	c := r.config(func(c *Config) { c.URL = "http://" + between.Addr() + "/weighings"; c.Timeout = 150e6 })
	entries := sinktest.Weighings(rounds*200, 5)
	amid := sinktest.Amid(t, openSink(t, c), entries, rounds, random, func(round int) {
		mend := between.Fault(t, round, random)
		time.Sleep(time.Duration(10+random.IntN(100)) * time.Millisecond)
		mend()
	})
	keyed(t, entries, r.received())
	sinktest.Judge(entries, r.received()).Hold(t, "a bad network", rounds, amid, len(entries))
}

// keyed wants each arrival to have the key of its entry.
func keyed(t *testing.T, entries []record.Entry, got []sinktest.Arrival) {
	t.Helper()
	byKey := map[string][]byte{}
	for _, e := range entries {
		byKey[key([]record.Entry{e})] = e.JSON
	}
	for _, a := range got {
		if !bytes.Equal(byKey[a.Name], a.Body) {
			t.Fatalf("what arrived with the key %s is another entry", a.Name)
		}
	}
}

// TestEventsInBinaryMode: the attributes are headers as the CloudEvents HTTP Protocol Binding 1.0.2 has them (section 3.1.3), and the
// body is the entry.
func TestEventsInBinaryMode(t *testing.T) {
	r := newReceiver(t)
	s := openSink(t, r.config(func(c *Config) {
		c.Format = "cloudevents"
		c.CloudEvents = format.CloudEvents{Mode: "binary", Source: "https://seed-bank.example/north", TypePrefix: "example.seed-bank"}
	}))
	e := sinktest.Weighings(1, 1)
	if n, err := s.Deliver(t.Context(), e); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	h, body := r.last()
	if h.Get("ce-id") != e[0].ID || h.Get("ce-specversion") != "1.0" || h.Get("ce-source") != "https://seed-bank.example/north" ||
		!strings.HasPrefix(h.Get("ce-type"), "example.seed-bank.") || !bytes.Equal(body, e[0].JSON) {
		t.Errorf("%v %s", h, body)
	}
}
