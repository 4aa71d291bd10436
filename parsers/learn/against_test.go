package learn_test

import (
	"fmt"
	"strings"
	"testing"

	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
)

const benchLine = `
frame: {ends: ["\r\n"]}
line: "{weight 10} {unit 2} {stability 1}"
stability: {"*": stable, "": unstable}
`

func benchLayout(t testing.TB, src string) *layout.Layout {
	t.Helper()
	l, err := layout.Parse("bench.yaml", []byte(src))
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// fit is a line that benchLine reads.
func fit(n int) string { return fmt.Sprintf("%10.4f g  *\r\n", float64(n)/10000) }

func TestAgainstTellsWhatFitsAndWhatDoesNot(t *testing.T) {
	sample := fit(123450) + "   12.3450 g  !\r\n" + fit(5) + "   12.3450 g  ?\r\n" + "  12,3450 g  *\r\n" + "   12.3450 oz *\r\n" + "     1"
	c := learn.Against(benchLayout(t, benchLine), learn.Sample{Bytes: []byte(sample)})
	if c.Of != 7 || c.Fits != 2 || len(c.Frames) != 7 {
		t.Fatalf("%d of %d frames fit, %d are listed", c.Fits, c.Of, len(c.Frames))
	}
	if got := c.Frames[0].Reads; got != "12.3450 g stable" || !c.Frames[0].Fits || !c.Frames[0].Opening {
		t.Errorf("the first frame: %+v", c.Frames[0])
	}
	if f := c.Frames[1]; f.Fits || f.Text != "   12.3450 g  !<CR><LF>" || f.Offset != 17 || !strings.Contains(f.Why, "“!” at column 15") {
		t.Errorf("the second frame: %+v", f)
	}
	if m := c.Misfits[0]; m.Count != 2 || m.First != 2 || m.Last != 4 || len(m.Examples) != 2 || !strings.Contains(m.Why, "“!”") {
		t.Errorf("the most frequent reason: %+v", m)
	}
	if len(c.Misfits) != 4 {
		t.Errorf("%d reasons, and there are four: %+v", len(c.Misfits), c.Misfits)
	}
	total := 0
	for _, m := range c.Misfits {
		total += m.Count
	}
	if total != c.Of-c.Fits {
		t.Errorf("the reasons count %d frames, and %d do not fit", total, c.Of-c.Fits)
	}
}

func TestAgainstSigns(t *testing.T) {
	many := func(n int, line func(int) string) (out string) {
		for i := range n {
			out += line(i * 37)
		}
		return out
	}
	long := func(n int) string { return fmt.Sprintf("%12.4f g  *\r\n", float64(n)/10000) }
	for _, c := range []struct {
		name, bytes, want string
	}{
		{"all fit", many(5, fit), ""},
		{"nothing", "", "there are no bytes"},
		{"other length", fit(1) + long(2) + fit(3) + long(4) + fit(5), "all 2 frames that do not fit have 17 bytes, and all that fit have 15"},
		{"from a line on", many(5, fit) + many(4, long), "up to frame 5 all fit, and from frame 6 on none does"},
		{"switched on", "Hello\r\nVersion 3\r\nReady\r\n" + many(5, fit), "the first 3 frames do not fit and all others do"},
		{"cut", "3450 g  *\r\n" + many(5, fit), "only the first frame does not fit: its beginning was not heard"},
		{"another balance", many(5, long), "not one frame fits"},
		{"other ends", strings.ReplaceAll(many(9, fit), "\r\n", "\n"), "the layout ends frames with CR LF; these bytes make only one, and they hold LF 9 times"},
		{"parity", highBits(many(9, fit)), "7 data bits and a parity bit"},
		{"garbage", strings.Repeat("\x80\xf8\x1e\x00\x9e\xe6\x78\xff\r\n", 9), "this looks like the wrong speed"},
		{"wide", strings.Repeat("1\x00.\x002\x00\r\n", 9), "are NUL"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := learn.Against(benchLayout(t, benchLine), learn.Sample{Bytes: []byte(c.bytes)})
			all := strings.Join(got.Signs, "; ")
			if c.want == "" && all != "" || !strings.Contains(all, c.want) {
				t.Errorf("signs: %q, and %q is meant", all, c.want)
			}
		})
	}
}

// highBits gives each byte even parity in its eighth bit.
func highBits(s string) string {
	b := []byte(s)
	for i, c := range b {
		for x := c & 0x7F; x > 0; x &= x - 1 {
			c ^= 0x80
		}
		b[i] = c
	}
	return string(b)
}

func TestAgainstFollowsPauses(t *testing.T) {
	l := benchLayout(t, "frame: {length: 12, idle_gap: 50ms}\nline: \"{weight 9} {unit 2}\"\n")
	one := "  12.3450 g "
	c := learn.Against(l, learn.Sample{Bytes: []byte("50 g " + one + one), Pauses: []int{5, 17}})
	if c.Of != 3 || c.Fits != 2 || c.Frames[0].Fits {
		t.Errorf("%d of %d frames fit: %+v", c.Fits, c.Of, c.Frames)
	}
}

func TestAgainstIsBounded(t *testing.T) {
	l := benchLayout(t, benchLine)
	c := learn.Against(l, learn.Sample{Bytes: []byte(strings.Repeat("x\r\n", learn.MostFrames+5))})
	if c.Of != learn.MostFrames || c.LeftOut == "" || len(c.Misfits) != 1 || len(c.Misfits[0].Examples) != 1 {
		t.Errorf("%d frames, %q, %d reasons", c.Of, c.LeftOut, len(c.Misfits))
	}
	var odd strings.Builder
	for i := range 3 * learn.MostMisfits { // each with words of its own in the reason
		fmt.Fprintf(&odd, "   12.3450 %s  *\r\n", strings.Repeat("\x01", i%7)+fmt.Sprint(i))
	}
	c = learn.Against(l, learn.Sample{Bytes: []byte(odd.String())})
	if len(c.Misfits) > learn.MostMisfits {
		t.Errorf("%d reasons", len(c.Misfits))
	}
	c = learn.Against(l, learn.Sample{Bytes: []byte(strings.Repeat(fit(7), learn.MostBytes/10))})
	if c.LeftOut == "" {
		t.Error("a megabyte was not cut")
	}
}

func FuzzAgainst(f *testing.F) {
	f.Add([]byte(fit(5)+"12.3 \r\n"), 7)
	f.Add([]byte("\x02 12.3 g\x03\xff\x00"), 3)
	l := benchLayout(f, benchLine)
	f.Fuzz(func(t *testing.T, b []byte, pause int) {
		c := learn.Against(l, learn.Sample{Bytes: b, Pauses: []int{pause, pause / 2, -1, len(b), pause}})
		total := 0
		for _, m := range c.Misfits {
			total += m.Count
			if m.Count < 1 || len(m.Examples) == 0 || m.First > m.Last {
				t.Fatalf("%+v", m)
			}
		}
		if total != c.Of-c.Fits || len(c.Frames) != c.Of {
			t.Fatalf("%d reasons for %d frames of %d", total, c.Of-c.Fits, c.Of)
		}
		for _, frame := range c.Frames {
			for _, r := range frame.Text {
				if r < 0x20 || r == 0x7F {
					t.Fatalf("%q would reach a terminal", frame.Text)
				}
			}
		}
	})
}
