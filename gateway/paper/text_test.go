package paper

import (
	"io"
	"strings"
	"testing"
)

// TestAWordIsBrokenBetweenItsParts: an id that is wider than its column is broken behind a slash where that leaves no short line, a word without one
// where the room ends, and nothing is lost.
func TestAWordIsBrokenBetweenItsParts(t *testing.T) {
	p, err := New(io.Discard, Upright)
	if err != nil {
		t.Fatal(err)
	}
	const size = 10
	for _, want := range [][]string{{"seed-bank/eoant/", "s-01/000009"}, {"a/bbbbbbbbbbbbbbbb", "bbbbbbb"}, {"cccccccccccccccccc", "ccc"}, {"in two ", "seed-bank/eoant/", "s-01/000009"}} {
		text, room := strings.Join(want, ""), 0.0
		for _, line := range want {
			room = max(room, p.Plain.Wrap(line, size, 1000)[0].Width(size))
		}
		lines := p.Plain.Wrap(text, size, room+0.5)
		if len(lines) != len(want) {
			t.Errorf("%q has %d lines", text, len(lines))
			continue
		}
		for i, l := range lines {
			if is := p.Plain.Wrap(want[i], size, 1000)[0].Width(size); l.Width(size) != is {
				t.Errorf("%q: line %d is %.1f wide, and %q is %.1f", text, i+1, l.Width(size), want[i], is)
			}
		}
	}
}
