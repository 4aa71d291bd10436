package port

import (
	"bytes"
	"slices"
	"testing"
)

// marked writes down what POSIX says a terminal gives for each byte of a line, one event after another.
type event struct {
	b       byte
	damaged bool
	broken  bool // a break, and no byte
}

func marked(events []event) (raw []byte) {
	for _, e := range events {
		switch {
		case e.broken:
			raw = append(raw, 0xFF, 0, 0)
		case e.damaged:
			raw = append(raw, 0xFF, 0, e.b)
		case e.b == 0xFF:
			raw = append(raw, 0xFF, 0xFF)
		default:
			raw = append(raw, e.b)
		}
	}
	return raw
}

// expected is what decoding must give for events: damaged bytes as NUL, and the offsets in the whole stream.
func expected(events []event) (text []byte, damaged, breaks []int) {
	for _, e := range events {
		switch {
		case e.broken || e.damaged && e.b == 0: // a damaged NUL looks like a break
			breaks = append(breaks, len(text))
		case e.damaged:
			damaged = append(damaged, len(text))
			text = append(text, 0)
		default:
			text = append(text, e.b)
		}
	}
	return text, damaged, breaks
}

// decoded decodes raw in pieces, and gives offsets in the whole.
func decoded(raw []byte, cuts []byte) (text []byte, damaged, breaks []int) {
	var m parmrk
	for i := 0; len(raw) > 0; i++ {
		n := len(raw)
		if i < len(cuts) {
			n = min(n, int(cuts[i]))
		}
		p := bytes.Clone(raw[:n])
		left := m.decode(p)
		for _, d := range m.damaged {
			damaged = append(damaged, len(text)+d)
		}
		for _, b := range m.breaks {
			breaks = append(breaks, len(text)+b)
		}
		text = append(text, p[:left]...)
		raw = raw[n:]
	}
	return text, damaged, breaks
}

func TestMarksAreTakenOutAndTold(t *testing.T) {
	for _, c := range []struct {
		raw             string
		text            string
		damaged, breaks []int
	}{
		{"12.3 g\r\n", "12.3 g\r\n", nil, nil},
		{"1\xFF\x002.3", "1\x00.3", []int{1}, nil},
		{"\xFF\x00\x00W 1", "W 1", nil, []int{0}},
		{"a\xFF\xFFb", "a\xFFb", nil, nil},
		{"\xFF\xFF\xFF\xFF\xFF\x00\xFF", "\xFF\xFF\x00", []int{2}, nil},
		{"\xFF\x00\x00\xFF\x00\x00", "", nil, []int{0, 0}},
		{"a\x00b", "a\x00b", nil, nil}, // a NUL that came in good order
		{"\xFF7", "\x00", []int{0}, nil},
	} {
		for _, cuts := range [][]byte{nil, {1, 1, 1, 1, 1, 1, 1, 1}, {2, 3}, {1, 4}} {
			text, damaged, breaks := decoded([]byte(c.raw), cuts)
			if string(text) != c.text || !slices.Equal(damaged, c.damaged) || !slices.Equal(breaks, c.breaks) {
				t.Errorf("%q cut %v: %q damaged %v breaks %v", c.raw, cuts, text, damaged, breaks)
			}
		}
	}
}

// FuzzMarks: whatever comes over a line and however it is cut into reads, each byte and each mark is told once, in its place.
// Two bytes of the input make one event.
func FuzzMarks(f *testing.F) {
	f.Add([]byte("1\x002\x01\x00\x02\xFF\x00\xFF\x01"), []byte{1, 2, 1})
	f.Fuzz(func(t *testing.T, in, cuts []byte) {
		var events []event
		for i := 0; i+1 < len(in); i += 2 {
			events = append(events, event{b: in[i], damaged: in[i+1]&1 != 0, broken: in[i+1]&2 != 0})
		}
		text, damaged, breaks := decoded(marked(events), cuts)
		wantText, wantDamaged, wantBreaks := expected(events)
		if !bytes.Equal(text, wantText) || !slices.Equal(damaged, wantDamaged) || !slices.Equal(breaks, wantBreaks) {
			t.Fatalf("%v cut %v:\n%q %v %v, want\n%q %v %v", events, cuts, text, damaged, breaks, wantText, wantDamaged, wantBreaks)
		}
		decoded(in, cuts) // and marks that no terminal writes do no harm
	})
}

func BenchmarkMarks(b *testing.B) {
	p := bytes.Repeat([]byte("W   +12.3450 g   S\r\n"), 1)
	var m parmrk
	b.ReportAllocs()
	for b.Loop() {
		if m.decode(p) != len(p) {
			b.Fatal()
		}
	}
}
