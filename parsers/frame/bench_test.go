package frame_test

import (
	"bytes"
	"testing"

	"weighpost/parsers/frame"
)

// benches are steady streams of twenty-byte lines and what they come to.
var benches = []struct {
	name   string
	rule   frame.Rule
	unit   string // repeated
	frames int    // in one
}{
	{"lines", frame.Rule{Terminators: marks("\r\n")}, "   +12.3450 g ok  \r\n", 1},
	{"mixed", frame.Rule{Terminators: marks("\r", "\n", "\r\n")}, "   +12.3450 g ok  \r\n", 1},
	{"enclosed", frame.Rule{Start: []byte("\x02"), End: []byte("\x03"), Trailer: 1}, "\x02lot +12.345 g\x03A\r\n", 1},
	{"blocks", frame.Rule{Terminators: marks("\r\n"), Block: &frame.Block{First: begins("--"), Last: begins("==")}},
		"------------------\r\nall +13.3450 g    \r\nlot +12.3450 g    \r\n==================\r\n", 1},
}

func TestNoAllocationsInSteadyState(t *testing.T) {
	for _, b := range benches {
		s := splitter(t, b.rule)
		stream, frames := bytes.Repeat([]byte(b.unit), 20), 0
		emit := func(f frame.Frame) {
			if f.Fault == "" {
				frames++
			}
		}
		s.Push(stream, emit)
		if n := testing.AllocsPerRun(50, func() { s.Push(stream, emit) }); n != 0 {
			t.Errorf("%s: %v allocations", b.name, n)
		}
		if want := 20 * b.frames * 52; frames != want { // 1 before, 50 runs, 1 warm-up of AllocsPerRun
			t.Errorf("%s: %d frames, want %d", b.name, frames, want)
		}
	}
}

func BenchmarkPush(b *testing.B) {
	for _, c := range benches {
		b.Run(c.name, func(b *testing.B) {
			s, err := frame.New(c.rule)
			if err != nil {
				b.Fatal(err)
			}
			unit, frames := []byte(c.unit), 0
			emit := func(frame.Frame) { frames++ }
			b.SetBytes(int64(len(unit)))
			b.ReportAllocs()
			for b.Loop() {
				s.Push(unit, emit)
			}
			if frames == 0 {
				b.Fatal("no frame came out")
			}
		})
	}
}

func BenchmarkRunAway(b *testing.B) {
	s, err := frame.New(frame.Rule{Terminators: marks("\r\n")})
	if err != nil {
		b.Fatal(err)
	}
	noise := bytes.Repeat([]byte("7"), 4096)
	b.SetBytes(int64(len(noise)))
	b.ReportAllocs()
	for b.Loop() {
		s.Push(noise, func(frame.Frame) {})
	}
}
