package layout_test

import (
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// TestDigits: {digits} passes over a running number, and refuses a line that has a word in its place.
func TestDigits(t *testing.T) {
	for _, template := range []string{"{digits 4} {weight 9} {unit}", "{digits} {weight} {unit}"} {
		l, err := layout.Parse("test", []byte("line: \""+template+"\"\n"))
		if err != nil {
			t.Fatal(err)
		}
		read := func(line string) (string, error) {
			var r layout.Reading
			err := l.Apply(frame.Frame{Bytes: []byte(line + "\r\n"), Body: []byte(line)}, &r)
			return r.Digits(), err
		}
		for _, line := range []string{"0012    12.482 g", "  12    12.482 g"} {
			if got, err := read(line); err != nil || got != "12.482" {
				t.Errorf("%s reads %q as %q, %v", template, line, got, err)
			}
		}
		for _, line := range []string{"Mean    12.482 g", "   x    12.482 g", "-  1    12.482 g", "        12.482 g"} {
			if got, err := read(line); err == nil {
				t.Errorf("%s reads %q as %q", template, line, got)
			}
		}
		out, err := l.Print(nil, layout.Values{Digits: "12.482", Unit: "g"})
		if err != nil {
			t.Fatal(err)
		}
		if got, err := read(string(out[:len(out)-2])); err != nil || got != "12.482" {
			t.Errorf("%s prints %q and reads it as %q, %v", template, out, got, err)
		}
	}
}
