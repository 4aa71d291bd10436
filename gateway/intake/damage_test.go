package intake

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// reasons gives the reason of each unread entry, and the digits of each weighing.
func reasons(bodies []record.Body) (out []string) {
	for _, b := range bodies {
		switch b := b.(type) {
		case *record.Unread:
			out = append(out, b.Reason)
		case *record.Weighing:
			out = append(out, b.Value.Digits)
		}
	}
	return out
}

// TestAFrameWithADamagedByteIsNoWeight, wherever the byte stands, and the sentence says how many there are.
func TestAFrameWithADamagedByteIsNoWeight(t *testing.T) {
	const interrupted = "the line was interrupted in the middle of it (a break)"
	for _, c := range []struct {
		text            string
		damaged, breaks []int
		want            []string
	}{
		{"W 1.000 g S\nW \x00.000 g S\n", []int{14}, nil, []string{"1.000", "1 of its 12 bytes arrived damaged, with a parity or framing error"}},
		{"W 1.000 g S\x00W 2.000 g S\nW 3.000 g S\n", []int{11}, nil, []string{"1 of its 24 bytes arrived damaged, with a parity or framing error", "3.000"}},
		{"W 1.000 g \x00\nW\x00\x002.000 g S\n", []int{10, 13, 14}, nil, []string{"1 of its 12 bytes arrived damaged, with a parity or framing error",
			"2 of its 13 bytes arrived damaged, with a parity or framing error"}},
		{"W 1.000 g S\nW 2.000 g S\n", nil, []int{0, 12}, []string{"1.000", "2.000"}}, // as a balance that is switched on does before it prints
		{"W 1.000 g S\nW 2.000 g S\n", nil, []int{5, 23}, []string{interrupted, interrupted}},
	} {
		for _, cut := range []int{1, 5, 100} {
			b := newBench(t, anchored, nil, nil)
			b.Up(time.Now().Add(-time.Hour))
			for from := 0; from < len(c.text); from += cut {
				to := min(from+cut, len(c.text))
				a := port.Arrival{At: time.Now(), Damaged: within(c.damaged, from, to), Breaks: within(c.breaks, from, to)}
				b.Bytes([]byte(c.text[from:to]), a)
			}
			if got := reasons(b.out.first()); !slices.Equal(got, c.want) {
				t.Errorf("%q in reads of %d:\n%s\nwant\n%s", c.text, cut, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
			}
			if s := b.Status(); s.Damaged != uint64(len(c.damaged)) || s.Breaks != uint64(len(c.breaks)) {
				t.Errorf("counted %d damaged bytes and %d breaks", s.Damaged, s.Breaks)
			}
		}
	}
}

func within(list []int, from, to int) (out []int) {
	for _, at := range list {
		if at >= from && at < to {
			out = append(out, at-from)
		}
	}
	return out
}

// TestNoDamageIsForgotten: in random streams with NUL as a line's end too, no frame is a weighing that has a damaged byte in
// it or right before it, and every other one is.
func TestNoDamageIsForgotten(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		b := newBench(t, "frame: {ends: [\"\\n\", \"\\x00\"]}\nline: \"{weight} {unit}\"", nil, nil)
		b.Up(time.Now().Add(-time.Hour))
		var text []byte
		var damaged []int
		spoilt := []bool{}
		before := false
		for range rapid.IntRange(1, 200).Draw(r, "lines") {
			line := []byte("1.234 g\n")
			bad := before
			before = false
			for i := range line {
				if rapid.IntRange(0, 40).Draw(r, "damage") == 0 {
					if i < len(line)-1 {
						continue // it would end the line there: the frames of this test are whole lines
					}
					line[i] = 0
					damaged = append(damaged, len(text)+i)
					bad, before = true, true
				}
			}
			spoilt = append(spoilt, bad)
			text = append(text, line...)
		}
		for from := 0; from < len(text); {
			to := min(from+rapid.IntRange(1, 300).Draw(r, "read"), len(text))
			b.Bytes(text[from:to], port.Arrival{At: time.Now(), Damaged: within(damaged, from, to)})
			from = to
		}
		good := 0
		for _, bad := range spoilt {
			if !bad {
				good++
			}
		}
		if s := b.Status(); s.Frames != uint64(len(spoilt)) || s.Unread != uint64(len(spoilt)-good) {
			r.Fatalf("%d frames and %d unread, of %d lines %d are damaged", s.Frames, s.Unread, len(spoilt), len(spoilt)-good)
		}
	})
}

// TestABreakBetweenTwoReadsIsInTheFrame: a break that comes alone, while half a line is there, spoils that line and no other.
func TestABreakBetweenTwoReadsIsInTheFrame(t *testing.T) {
	b := newBench(t, anchored, nil, nil)
	b.Up(time.Now().Add(-time.Hour))
	send := func(text string) { b.Bytes([]byte(text), port.Arrival{At: time.Now()}) }
	b.Breaks(1, time.Now())
	send("W 1.000 g S\nW 2.")
	b.Breaks(2, time.Now())
	send("000 g S\n")
	b.Breaks(1, time.Now())
	send("W 3.000 g S\n")
	want := []string{"1.000", "the line was interrupted in the middle of it (a break)", "3.000"}
	if got := reasons(b.out.first()); !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
