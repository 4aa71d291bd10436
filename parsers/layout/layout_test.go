package layout_test

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"testing"
	"time"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
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

// apply sends bytes through the layout's own splitter and gives what each frame says.
func apply(l *layout.Layout, bytes string) (said []string) {
	s := l.Splitter()
	emit := func(f frame.Frame) {
		var r layout.Reading
		if err := l.Apply(f, &r); err != nil {
			said = append(said, "unread: "+err.Error())
			return
		}
		said = append(said, fmt.Sprintf("%s %s, %s, %s, %s", r.Digits(), r.Unit.Key(), r.Kind, r.Stability, r.Range))
	}
	s.Push([]byte(bytes), emit)
	s.Idle(emit)
	s.Flush(emit)
	return said
}

func Example() {
	l, err := layout.Parse("bench.yaml", []byte(`
about: Bench balance of the germination room, print key, 9600 baud
frame:
  ends: ["\r\n"]
line: "{weight 10} {unit} {kind} {stability}"
kind: {net: net, all: gross}
stability: {"": unstable, rest: stable}
weight:
  decimal: comma
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, said := range apply(l, "   12,3450 g net rest\r\n   12,3x50 g net rest\r\n") {
		fmt.Println(said)
	}
	// Output:
	// 12.3450 g, net, stable, in
	// unread: the weight, “12,3x50” at column 4, is no number as this layout writes them
}

// TestApply holds what no recorded stream shows.
func TestApply(t *testing.T) {
	for _, c := range []struct {
		name, layout, bytes string
		want                []string
	}{
		{"a mark for over range needs no unit", "line: \"{weight} {unit} {stability}\"\nstability: {S: stable, \"\": unstable}\nweight: {over: [OL], under: [\"-\"]}",
			"OL\nOL S\nOL g S\n- g\n-1 g S\nOL X\nOLd g\n", []string{" , unknown, unstable, over", " , unknown, stable, over", " g, unknown, stable, over",
				" g, unknown, unstable, under", "-1 g, unknown, stable, in", "unread: after the stability, “X” is left over at column 4",
				"unread: after the stability, “d g” is left over at column 3"}},
		{"over and under at once", "line: \"{weight} {unit} {range}\"\nweight: {over: [OL]}\nrange: {U: under, O: over}", "OL g O\nOL g U\n",
			[]string{" g, unknown, unknown, over", "unread: the range, “U” at column 6, says over where the frame also says under"}},
		{"a stable weight without its unit", "line: \"{weight} {unit} {stability}\"\nstability: {S: stable, U: unstable}\nunit: {missing: unstable, missing_unit: g}",
			"1.5 U\n1.5 S\n1.5 mg S\n", []string{"1.5 g, unknown, unstable, in",
				"unread: the line calls the weight stable and leaves out the unit, which in this layout means not stable", "1.5 mg, unknown, stable, in"}},
		{"a field that may be missing at the start", "line: \"{kind} {weight} {unit}\"\nkind: {N: net, \"\": gross}", "N 1 g\n1 g\n  1 g\nN1 g\n",
			[]string{"1 g, net, unknown, in", "1 g, gross, unknown, in", "1 g, gross, unknown, in", "unread: a blank is expected at column 2, not “1 g”"}},
		{"exactly one blank before a width", "line: \"N {weight 6} {unit}\"", "N   12.5 g\nN 12.5 g\nN    12.5 g\n",
			[]string{"12.5 g, unknown, unknown, in", "unread: the weight, “12.5 g” at column 3, is no number as this layout writes them",
				"unread: a blank is expected at column 9, not “5 g”"}},
		{"a missing word within what a check covers", "line: \"lot {from}{kind},{weight 4}{unit 2}{to};{check}\"\nkind: {N: net, \"\": gross}\ncheck: {sum: xor}",
			"lot N,12.5g ;3D\nlot ,12.5g ;73\nlot   ,12.5g ;73\nlot ,12.5g ;72\n", []string{"12.5 g, net, unknown, in", "12.5 g, gross, unknown, in", "12.5 g, gross, unknown, in",
				"unread: the check, “72” at column 13, is not the check of the line: the line was damaged on its way, or the layout names another check"}},
		{"silence ends a frame", "frame: {idle_gap: 50ms}\nline: \"{weight} {unit}\"", "12.5 g", []string{"12.5 g, unknown, unknown, in"}},
		{"decimals as many as are said", "line: \"{weight} {unit}\"\nweight: {decimals: [3, 4], brackets: square}", "12.345 g\n12.345[0] g\n12.34 g\n12345 g\n", []string{
			"12.345 g, unknown, unknown, in", "12.3450 g, unknown, unknown, in",
			"unread: the weight, “12.34” at column 1, has another number of decimals than the layout allows: a digit or the decimal sign may be lost",
			"unread: the weight, “12345” at column 1, has another number of decimals than the layout allows: a digit or the decimal sign may be lost"}},
		{"trailing blanks and tabs", "line: \"{weight}\\t{unit}\"", "12.5\tg \t \n", []string{"12.5 g, unknown, unknown, in"}},
		{"long text", "line: \"{weight} {unit} {sample}\"\nframe: {max_length: 1000}", "1 g " + string(slices.Repeat([]byte("x"), 500)) + "\n",
			[]string{"unread: the sample, “xxxxxxxxxxxxxxxxxxxxxxxx…” at column 5, is too long to keep"}},
		{"two lines that mean different kinds", "frame: {block: {blank_lines: 1}}\nblock: [{line: \"Gross {ignore}\", optional: true, means: {kind: gross}}, {line: \"Net {weight} {unit}\", means: {kind: net}}]\nmeans: {stability: stable}",
			"Gross 12 g\nNet 7 g\n\nNet 7 g\n\n", []string{"unread: line 2 of the block: two lines of the frame mean different things: see means in the layout", "7 g, net, stable, in"}},
		{"a mark for over range where a missing unit means unstable", "line: \"{weight} {unit} {stability}\"\nstability: {S: stable, U: unstable}\nweight: {over: [OL]}\nunit: {missing: unstable}",
			"OL S\n", []string{" , unknown, stable, over"}},
		{"two lines of which one names a person", "lines: [{line: \"{weight} {unit} {person}\"}, {line: \"{weight} {unit} {ignore}\"}]", "1 g k07\n",
			[]string{"unread: the frame fits two lines of the layout, which read it differently"}},
		{"means of a line before that of the layout", "lines: [{line: \"A {weight} {unit}\", means: {kind: tare}}, {line: \"B {weight} {unit}\"}]\nmeans: {kind: net, stability: stable}",
			"A 1 g\nB 1 g\n", []string{"1 g, tare, stable, in", "1 g, net, stable, in"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := apply(parse(t, c.layout), c.bytes); !slices.Equal(got, c.want) {
				t.Errorf("\n got %q\nwant %q", got, c.want)
			}
		})
	}
}

func TestAccessors(t *testing.T) {
	src := "frame: {idle_gap: 50ms, start: \"\\x02\", end: \"\\x03\"}\nline: \"{weight} {unit}\"\ncheck: {sum: xor, after_end: true}\n"
	l := parse(t, src)
	digest := sha256.Sum256([]byte(src))
	if l.Name() != "test.yaml" || l.Hash() != "sha256:"+hex.EncodeToString(digest[:]) || !l.HasCheck() || l.IdleGap() != 50*time.Millisecond {
		t.Errorf("%s, %s, %v, %v", l.Name(), l.Hash(), l.HasCheck(), l.IdleGap())
	}
	if parse(t, "line: \"{weight} {unit}\"").HasCheck() {
		t.Error("a layout without check says that it has one")
	}
}

// TestReadingIsAValue copies a reading and reads the next frame into the original: the copy keeps what it said.
func TestReadingIsAValue(t *testing.T) {
	l := parse(t, "line: \"{weight} {unit} {sample}\"")
	var r, kept layout.Reading
	l.Splitter().Push([]byte("1.50 g OAT\n7 pcs RYE\n"), func(f frame.Frame) {
		if err := l.Apply(f, &r); err != nil {
			t.Fatal(err)
		}
		if kept.Digits() == "" {
			kept = r
		}
	})
	if kept.Digits() != "1.50" || kept.Sample() != "OAT" || kept.Quantity != unit.Mass || kept.UnitCode() != "g" {
		t.Errorf("the copy says %s %s of %s", kept.Digits(), kept.UnitCode(), kept.Sample())
	}
	if r.Count() != "7" || r.Quantity != unit.Count || r.Sample() != "RYE" || r.UnitCode() != "" {
		t.Errorf("the second reading says %s pieces of %s", r.Count(), r.Sample())
	}
}
