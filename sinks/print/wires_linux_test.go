package print

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/lending"
	"weighpost/gateway/port/pty"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

func TestRawPromises(t *testing.T) {
	sinktest.Run(t, func(t *testing.T) sinktest.Harness {
		p := startPaper(t)
		c := Default()
		c.Way, c.Address, c.PageEnd, c.Timeout = Raw, p.address, "", strict.Duration(2*time.Second)
		return sinktest.Harness{
			Open: func() (sinks.Sink, error) { return c.Open("labels", sinks.Env{}) },
			Received: func() (list []sinktest.Arrival) {
				for _, job := range p.printed() {
					list = append(list, sinktest.Arrival{Name: "slip", Body: []byte(strings.TrimPrefix(job, copyMark))})
				}
				return list
			},
			Break: func() { p.set(func() { p.reset = true }) },
			Mend:  func() { p.set(func() { p.reset = false }) },
		}
	})
}

func TestASlipOnASerialPrinter(t *testing.T) {
	cord := pty.NewCord(filepath.Join(t.TempDir(), "ttyPRINTER"))
	if err := cord.Plug(); err != nil {
		t.Fatal(err)
	}
	defer cord.Pull()
	c := slips()
	c.Way, c.Port.Address, c.Encoding = Serial, cord.Path(), "cp437"
	s, err := c.Open("labels", sinks.Env{Ports: lending.Ports{}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	e := sinktest.WithSamples([]string{"é-1"}, 7)
	if n, err := s.Deliver(t.Context(), e); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	var got []byte
	b := make([]byte, 512)
	for !bytes.HasSuffix(got, []byte("\f")) {
		n, err := cord.Read(b)
		if err != nil {
			t.Fatal(err)
		}
		got = append(got, b[:n]...)
	}
	// é is 82 hex in code page 437 (IBM's table, as golang.org/x/text has it).
	if !bytes.HasPrefix(got, []byte("\x82-1 ")) || !bytes.Contains(got, []byte(e[0].ID)) {
		t.Errorf("got %q", got)
	}
}

// TestNoCommandReachesThePrinter: what an id holds is never an order to a printer.
func TestNoCommandReachesThePrinter(t *testing.T) {
	for _, unknown := range []string{"refuse", "replace"} {
		c := slips()
		c.Way, c.Address, c.Unknown = Raw, "127.0.0.1:9100", unknown
		m, err := newMaker(c, sinks.Env{})
		if err != nil {
			t.Fatal(err)
		}
		for _, sample := range []string{"\x1b@LOT", "LOT\x1d(k", "LOT\fLOT-8 1.0000 g", "LOT\r\nLOT-8 1.0000 g", "LOT\x00", "LOT\u0085x", "LOT\u202e7", "\x9bLOT"} {
			doc, err := m.make(sinktest.WithSamples([]string{sample}, 7)[0], false)
			switch {
			case unknown == "refuse" && err == nil && sample != "\x9bLOT": // that one is no UTF-8, and stands as U+FFFD in the entry
				t.Errorf("%q was printed: %q", sample, doc)
			case unknown == "replace" && err != nil:
				t.Errorf("%q: %v", sample, err)
			case err == nil && bytes.ContainsFunc(bytes.TrimSuffix(doc, []byte("\f")), func(r rune) bool { return r < ' ' && r != '\r' && r != '\n' || r >= 0x7f && r < 0xa0 || r == 0x202e }):
				t.Errorf("%q reaches the printer: %q", sample, doc)
			case err == nil && bytes.Count(doc, []byte("\r\n")) != 2:
				t.Errorf("%q makes more lines: %q", sample, doc)
			}
		}
	}
}
