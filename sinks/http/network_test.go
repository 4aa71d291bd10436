package http

import (
	"bytes"
	"strings"
	"testing"

	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
	"weighpost/sinks/sinktest/toxic"
)

// TestThroughABadNetwork: latency, resets, connections that end after some bytes, half-open ones, and a network that goes and comes. At
// the far end each id is there, unaltered and in order, and duplicates have the same key.
func TestThroughABadNetwork(t *testing.T) {
	r := newReceiver(t)
	between := toxic.Start(t, r.addr)
	c := r.config(func(c *Config) { c.URL = "http://" + between.Addr() + "/weighings"; c.Timeout = 150e6 })
	s := openSink(t, c)
	entries := sinktest.Weighings(80, 5)
	rest := entries
	send := func(until int, tries int) {
		t.Helper()
		for ; tries > 0 && len(rest) > len(entries)-until; tries-- {
			n, err := s.Deliver(t.Context(), rest[:until-(len(entries)-len(rest))])
			if rest = rest[n:]; err != nil && outcome(err) != "again" {
				t.Fatal(err)
			}
		}
	}
	for i, bad := range [][2]string{
		{"latency", `{"latency": 20, "jitter": 20}`}, {"reset_peer", `{"timeout": 30}`}, {"limit_data", `{"bytes": 700}`},
		{"timeout", `{"timeout": 0}`}, {"slow_close", `{"delay": 100}`}, {"bandwidth", `{"rate": 20}`},
	} {
		mend := between.Add(t, bad[0], map[bool]string{true: "upstream", false: "downstream"}[i%2 == 0], bad[1])
		send(10*(i+1), 5)
		mend()
		send(10*(i+1), 200)
	}
	for i := range 10 {
		between.Down()
		send(61+2*i, 1)
		between.Up(t)
		send(62+2*i, 200)
	}
	if len(rest) > 0 {
		t.Fatalf("%d are left", len(rest))
	}
	next, twice := 0, 0
	for _, a := range r.received() {
		switch {
		case next < len(entries) && bytes.Equal(a.Body, entries[next].JSON) && a.Name == key(entries[next:next+1]):
			next++
		case next > 0 && bytes.Equal(a.Body, entries[next-1].JSON) && a.Name == key(entries[next-1:next]):
			twice++
		default:
			t.Fatalf("%s arrived altered or out of order", a.Name)
		}
	}
	if next != len(entries) {
		t.Errorf("%d of %d arrived", next, len(entries))
	}
	t.Logf("%d arrived, %d of them more than once", next, twice)
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
