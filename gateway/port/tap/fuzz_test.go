package tap

import (
	"bytes"
	"context"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/port"
	"weighpost/parsers/strict"
)

// pretended is a line without a port: what is sent to the balance is kept.
type pretended struct {
	turns port.Turns
	mu    sync.Mutex
	sent  bytes.Buffer
	err   error // what Write says
}

func (l *pretended) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.err != nil {
		return 0, l.err
	}
	return l.sent.Write(p)
}
func (l *pretended) Turns() *port.Turns   { return &l.turns }
func (l *pretended) Beside(port.Listener) {}

// within says whether part is whole with pieces left out.
func within(part, whole []byte) bool {
	for _, b := range part {
		i := bytes.IndexByte(whole, b)
		if i < 0 {
			return false
		}
		whole = whole[i+1:]
	}
	return true
}

// FuzzBothSides has the balance and the program send anything in any order, while turns, the port, the program and the service
// come and go. Memory is bounded by the buffer's size; nothing is made up; every byte of the program's is counted once.
func FuzzBothSides(f *testing.F) {
	f.Add([]byte("aN 12.3450 g\r\n\x00bQ\r\n"))
	f.Add([]byte("tq1\nau1\nbx2\ndqqz"))
	f.Add([]byte{0, 255, 13, 10, 3, 4, 1, 13, 2, 10})
	f.Add(bytes.Repeat([]byte{'a', 0xff}, 300))
	f.Fuzz(func(t *testing.T, script []byte) {
		if len(script) > 4096 {
			return
		}
		line := &pretended{}
		tap := New(Config{Listen: "127.0.0.1:1", OutOfService: Cut, Answer: strict.Duration(time.Minute), Wait: strict.Duration(time.Millisecond)}, "b-1", nil, nil)
		tap.Attach(line)
		e := &ear{tap: tap, line: line}
		e.Up()
		up := true
		var balance, program, got bytes.Buffer
		var others *port.Turn
		b, p := newBuffer(), make([]byte, 1024)
		tap.welcome(b)
		take := func() {
			for !b.empty() {
				got.Write(p[:b.take(p)])
			}
		}
		for len(script) > 1 {
			what, n := script[0], min(int(script[1]), len(script)-2)
			data := script[2 : 2+n]
			script = script[2+n:]
			switch what % 8 {
			case 0, 1, 2:
				balance.Write(data)
				e.Bytes(data)
				e.Handled()
			case 3:
				if program.Len() < 512 { // each may wait for a millisecond
					program.Write(data)
					tap.ask(context.Background(), data)
				}
			case 4:
				if others != nil {
					others.Done()
					others = nil
				} else if line.turns.Holder() == "" {
					others, _ = line.turns.Take(context.Background(), "ask", time.Minute)
				}
			case 5:
				if up = !up; up {
					e.Up()
				} else {
					e.Down()
				}
			case 6:
				tap.OutOfServiceBy(func() bool { return n%2 == 0 })
				line.err = []error{nil, io.ErrShortWrite, os.ErrDeadlineExceeded, port.ErrListenOnly}[n%4]
			case 7:
				take()
				if n%2 == 0 {
					tap.farewell()
					b = newBuffer()
					tap.welcome(b)
				}
			}
		}
		take()
		tap.farewell()
		e.Down()
		if others != nil {
			others.Done()
		}
		s := tap.Status()
		if !within(got.Bytes(), balance.Bytes()) {
			t.Errorf("the program got %q of %q", got.Bytes(), balance.Bytes())
		}
		if !within(line.sent.Bytes(), program.Bytes()) || s.Sent != uint64(line.sent.Len()) || s.Sent+s.Unsent != uint64(program.Len()) {
			t.Errorf("the balance got %q of %q; %+v", line.sent.Bytes(), program.Bytes(), s)
		}
		if line.turns.Holder() != "" {
			t.Errorf("%s still has the balance", line.turns.Holder())
		}
	})
}

// TestHearingMakesNoGarbage: what a tap costs the goroutine that reads the port.
func TestHearingMakesNoGarbage(t *testing.T) {
	line := &pretended{}
	tap := New(Config{Listen: "127.0.0.1:1"}, "b-1", nil, nil)
	tap.Attach(line)
	e := &ear{tap: tap, line: line}
	e.Up()
	b, p := newBuffer(), make([]byte, 1024)
	tap.welcome(b)
	text := []byte(strings.Repeat(printed(7), 4))
	if n := testing.AllocsPerRun(1000, func() {
		e.Bytes(text)
		e.Handled()
		b.take(p)
	}); n > 0 {
		t.Errorf("%v allocations for each read", n)
	}
}

func BenchmarkHear(b *testing.B) {
	line := &pretended{}
	tap := New(Config{Listen: "127.0.0.1:1"}, "b-1", nil, nil)
	tap.Attach(line)
	e := &ear{tap: tap, line: line}
	e.Up()
	buf, p := newBuffer(), make([]byte, 1024)
	tap.welcome(buf)
	text := []byte(printed(7))
	b.ReportAllocs()
	for b.Loop() {
		e.Bytes(text)
		e.Handled()
		buf.take(p)
	}
}
