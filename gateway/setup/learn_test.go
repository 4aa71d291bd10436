package setup

import (
	"fmt"
	"testing"

	"weighpost/parsers/layout"
	"weighpost/parsers/learn"
)

// TestReadability proposes the smallest step that the printed weights show.
func TestReadability(t *testing.T) {
	l, err := layout.Parse("l.yaml", []byte("line: \"{weight 10} {unit 3}\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	lines := func(format string, step, n int) (s learn.Sample) {
		for i := range n {
			s.Bytes = fmt.Appendf(s.Bytes, format, (i+1)*step)
		}
		return s
	}
	for want, s := range map[string]learn.Sample{
		"0.001 g":  lines("    12.%03d g  \r\n", 7, 20),
		"0.002 g":  lines("    12.%03d g  \r\n", 2, 20),
		"0.005 g":  lines("    12.%03d g  \r\n", 5, 20),
		"0.1 mg":   {Bytes: []byte("       0.3 mg \r\n")},
		"1 kg":     lines("%10d kg \r\n", 3, 20),
		"0.0001 g": {Bytes: []byte("   12.3400 g  \r\n    0.0000 g  \r\n")},
		"":         {Bytes: []byte("   12.3450 ct?\r\n")},
	} {
		if got := Readability(l, s); got != want {
			t.Errorf("%q: got %q, want %q", s.Bytes[:16], got, want)
		}
	}
	if got := Readability(l, lines("    12.%03d g  \r\n", 2, 4)); got != "0.001 g" {
		t.Errorf("four weights are too few to call the step 2, and it was %q", got)
	}
}
