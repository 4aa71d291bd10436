package serialout

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io/fs"
	"testing"
	"time"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/sinks"
	"weighpost/sinks/format"
	"weighpost/sinks/sinktest"
)

// printed makes entries that a balance with a simple layout could have sent.
func printed(n int) []record.Entry {
	var list []record.Entry
	for i, e := range sinktest.Weighings(n, 5) {
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			panic(err)
		}
		w.Value = record.Value{Digits: []string{"12.3450", "-0.0021", "+7.5000"}[i%3], Unit: "g", PrintedUnit: "g", Kind: "unknown", Stability: "unknown", Range: "in"}
		e.JSON, _ = json.Marshal(&w)
		list = append(list, e)
	}
	return list
}

const simple = "about: what the old program reads\nline: \"{weight 9} {unit 2}\"\n"

// TestWhatTheOldProgramReadsIsWhatWasWeighed: layout, line, layout again is the identity, through a serial port.
func TestWhatTheOldProgramReadsIsWhatWasWeighed(t *testing.T) {
	r := startReader(t, "")
	c := Default()
	c.Port.Address, c.Format, c.Line.Layout = r.cord.Path(), format.NameLine, simple
	s, err := c.Open("old-program", env)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	l, err := layout.Parse("simple", []byte(simple))
	if err != nil {
		t.Fatal(err)
	}
	entries := printed(30)
	if n, err := s.Deliver(t.Context(), entries); n != len(entries) || err != nil {
		t.Fatalf("%d sent: %v", n, err)
	}
	var all []byte
	for range 500 {
		all = all[:0]
		for _, a := range r.received() {
			all = append(all, a.Body...)
		}
		if bytes.Count(all, []byte("\n")) == len(entries) {
			break
		}
		time.Sleep(5 * time.Millisecond)
	}
	read := 0
	splitter := l.Splitter()
	splitter.Push(all, func(f frame.Frame) {
		var reading layout.Reading
		if err := l.Apply(f, &reading); err != nil {
			t.Fatalf("line %d: %v", read, err)
		}
		var w record.Weighing
		_ = json.Unmarshal(entries[read].JSON, &w)
		if reading.Digits() != w.Value.Digits || reading.UnitCode() != w.Value.Unit {
			t.Errorf("line %d reads %s %s, and %s was weighed", read, reading.Digits(), reading.UnitCode(), w.Value.Shown())
		}
		read++
	})
	if read != len(entries) {
		t.Errorf("%d lines were read of %d", read, len(entries))
	}
}

// shaky is a port whose writes can be made to break off.
type shaky struct {
	sinks.SerialPort
	wrote  *bytes.Buffer
	breaks *int // after so many bytes, once; below 0 never
	closed chan struct{}
}

func (s *shaky) Write(p []byte) (int, error) {
	if n := *s.breaks; n >= 0 {
		*s.breaks = -1
		s.wrote.Write(p[:n])
		return n, errors.New("the adapter went away")
	}
	return s.wrote.Write(p)
}
func (s *shaky) Read([]byte) (int, error)    { <-s.closed; return 0, errors.New("closed") }
func (s *shaky) Drain(context.Context) error { return nil }
func (s *shaky) Close() error {
	select {
	case <-s.closed:
	default:
		close(s.closed)
	}
	return nil
}

type shakyPorts struct {
	wrote  bytes.Buffer
	breaks int
	err    error
}

func (p *shakyPorts) OpenSerial(context.Context, sinks.SerialLine) (sinks.SerialPort, error) {
	if p.err != nil {
		return nil, p.err
	}
	return &shaky{wrote: &p.wrote, breaks: &p.breaks, closed: make(chan struct{})}, nil
}

// TestHalfALineIsNeverJoinedToTheNext: what was cut off is cancelled before the line comes again.
func TestHalfALineIsNeverJoinedToTheNext(t *testing.T) {
	ports := &shakyPorts{breaks: 4}
	c := Default()
	c.Port.Address, c.Format, c.Template.Text = "/dev/ttyLAB", format.NameTemplate, "{{.value.digits}} {{.value.unit}}"
	s, err := c.Open("old-program", sinks.Env{Ports: ports})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	e := printed(1)
	if n, err := s.Deliver(t.Context(), e); n != 0 || err == nil {
		t.Fatalf("%d accepted of a line that broke off: %v", n, err)
	}
	if n, err := s.Deliver(t.Context(), e); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	if got, want := ports.wrote.String(), "12.3\x18\r\n12.3450 g\r\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// leaving is a port that goes away between two lines, and does not come back.
type leaving struct {
	shakyPorts
	opened bool
}

func (l *leaving) OpenSerial(ctx context.Context, line sinks.SerialLine) (sinks.SerialPort, error) {
	if l.opened {
		return nil, fs.ErrNotExist
	}
	l.opened = true
	p, err := l.shakyPorts.OpenSerial(ctx, line)
	return goes{p.(*shaky)}, err
}

type goes struct{ *shaky }

func (g goes) Drain(context.Context) error {
	g.Close()
	time.Sleep(50 * time.Millisecond) // until the sink knows; where it does not, the next line finds out
	return nil
}

func (g goes) Write(p []byte) (int, error) {
	select {
	case <-g.closed:
		return 0, fs.ErrClosed
	default:
		return g.shaky.Write(p)
	}
}

// TestWhatWasWrittenIsCountedWhenThePortGoes: nothing that was delivered waits uncounted for a port that is away, and comes again.
func TestWhatWasWrittenIsCountedWhenThePortGoes(t *testing.T) {
	c := config("/dev/ttyLAB")
	c.Acknowledge = ""
	s, err := c.Open("old-program", sinks.Env{Ports: &leaving{shakyPorts: shakyPorts{breaks: -1}}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	n, err := s.Deliver(ctx, printed(3))
	if n != 1 || err == nil || ctx.Err() != nil {
		t.Errorf("%d counted: %v, the time being up: %v", n, err, ctx.Err())
	}
}

func TestWhatStopsTheSinkAndWhatDoesNot(t *testing.T) {
	var unusable sinks.Unusable
	for _, one := range []struct {
		err   error
		stops bool
	}{{fs.ErrPermission, true}, {fs.ErrNotExist, false}, {errors.New("in use"), false}} {
		c := config("/dev/ttyLAB")
		s, err := c.Open("old-program", sinks.Env{Ports: &shakyPorts{err: one.err}})
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		n, err := s.Deliver(ctx, printed(1))
		cancel()
		s.Close()
		if n != 0 || err == nil || errors.As(err, &unusable) != one.stops {
			t.Errorf("%v: %d, %v", one.err, n, err)
		}
	}
}

// TestUnpluggedManyTimes: every weighing arrives, in order, and comes twice only with the same text.
func TestUnpluggedManyTimes(t *testing.T) {
	rounds, random := needs.Rounds(t, 5, 100)
	r := startReader(t, "\x06")
	s, err := config(r.cord.Path()).Open("old-program", env)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	entries := sinktest.Weighings(rounds*60, 9)
	amid := sinktest.Amid(t, s, entries, rounds, random, func(int) {
		r.pull(t)
		time.Sleep(time.Duration(random.IntN(20)) * time.Millisecond)
		r.plug(t)
	})
	sinktest.JudgeValues(entries, r.received()).Hold(t, "the cable pulled", rounds, amid, len(entries))
}
