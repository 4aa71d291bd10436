package layout_test

import (
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// parse reads a layout that is right.
func parse(t testing.TB, src string) *layout.Layout {
	t.Helper()
	l, err := layout.Parse("test.yaml", []byte(src))
	if err != nil {
		t.Fatalf("the layout is refused:\n%v", err)
	}
	return l
}

// apply sends bytes through the layout's own splitter and gives what each frame says: "12.3450 g net stable", or why not.
func apply(l *layout.Layout, bytes string) (said []string) {
	s := l.Splitter()
	emit := func(f frame.Frame) {
		var r layout.Reading
		if err := l.Apply(f, &r); err != nil {
			said = append(said, "unread: "+err.Error())
			return
		}
		said = append(said, say(&r))
	}
	s.Push([]byte(bytes), emit)
	s.Flush(emit)
	return said
}

func say(r *layout.Reading) string {
	out := r.Digits() + "|" + r.Unit.Key() + "|" + r.PrintedUnit() + "|" + r.Kind.String() + "|" + r.Stability.String() + "|" + r.Range.String()
	for _, extra := range [][2]string{{"sample", r.Sample()}, {"balance", r.Balance()}, {"count", r.Count()}, {"date", r.Date()},
		{"time", r.Time()}, {"range", r.RangeNumber()}, {"check", r.CheckState()}} {
		if extra[1] != "" {
			out += "|" + extra[0] + "=" + extra[1]
		}
	}
	if r.AuxiliaryDigits > 0 {
		out += "|auxiliary=" + string(rune('0'+r.AuxiliaryDigits))
	}
	return out
}

func TestFirst(t *testing.T) {
	l := parse(t, `
line: "{kind 2} {weight 10} {unit 3}{stability}"
kind: {"N": net, "G": gross}
stability: {"": unstable, "*": stable}
`)
	for _, s := range apply(l, "N     12.3450 g  *\r\nG    +0.5000 mg \r\nN    12.34x0 g  *\r\nN    12.3450 oz *\r\nN    12.3450 g  *xyz\r\n12.3 g\r\n") {
		t.Log(s)
	}
}
