package http

import (
	"testing"

	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// TestLateEntriesSaySo: what was refused before, and is delivered again, is marked in the header and in nothing else.
func TestLateEntriesSaySo(t *testing.T) {
	r := newReceiver(t)
	c := Default()
	c.URL = "http://" + r.addr + "/weighings"
	s, err := c.Open("lims", sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	entries := sinktest.Weighings(2, 1)
	entries[1].Late = true
	if n, err := s.Deliver(t.Context(), entries); n != 2 || err != nil {
		t.Fatal(n, err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.headers) != 2 || r.headers[0].Values("Weighpost-Late") != nil || r.headers[1].Get("Weighpost-Late") != "?1" {
		t.Errorf("headers %v", r.headers)
	}
	if string(r.got[1].Body) != string(entries[1].JSON) {
		t.Errorf("the entry came as %s", r.got[1].Body)
	}
}
