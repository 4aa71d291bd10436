package layout_test

import (
	"math/big"
	"regexp"
	"strings"
	"testing"

	"github.com/cockroachdb/apd/v3"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// judged is a layout with a second judge: a regular expression that finds the weight in a line, and what to strip from it.
type judged struct {
	layout string
	find   *regexp.Regexp // of the whole body; group 1 is the weight
	strip  string         // characters that are no part of the number
	comma  bool
}

// The bodies are judged with each byte as one character, so that a dot means a byte.
var judgedLayouts = []judged{
	{`
line: "{kind 2}{weight 11} {unit 3}{stability}"
kind: {s: net, a: gross}
stability: {"": unstable, "*": stable}
weight: {over: [FULL], under: [BARE]}
`, regexp.MustCompile(`(?s)^..(.{11}) .{3}[* \t]*$`), " \t", false},
	{`
line: "{weight} {unit}"
`, regexp.MustCompile(`^[ \t]*([-+]?[0-9.]+)[ \t]+\S.*$`), "", false},
	{`
line: "{kind}{weight}{unit} {stability}"
kind: {S: net, U: gross}
stability: {"": unstable, "*": stable}
weight: {decimal: comma, grouping: point, sign: trailing}
`, regexp.MustCompile(`^[ \t]*[SU]([0-9.,]+[-+]?)[^0-9.,+-].*$`), ".", true},
	{`
line: "{weight} {unit} {sample}"
weight: {decimal: comma, grouping: space, sign: detached, brackets: square}
unit: {missing: unstable, missing_unit: g}
`, regexp.MustCompile(`^[ \t]*([-+]?[ \t]*[0-9]{1,3}(?: [0-9]{3})*(?: [0-9]{2}\[[0-9]\]| [0-9]\[[0-9]{2}\]| \[[0-9]{3}\])` +
		`|[-+]?[ \t]*[0-9]{1,3}(?: [0-9]{3})+(?:,[0-9]*(?:\[[0-9]+\])?)?|[-+]?[ \t]*[0-9]*(?:,[0-9]*)?(?:\[[0-9]+\])?)(?:[ \t].*)?$`), " \t[]", true},
	{`
code_page: cp437
frame: {start: "\x02", end: "\x03"}
line: "{balance},{weight 9},{unit};{ignore}"
weight: {grouping: apostrophe, brackets: round}
check: {sum: xor, after_end: true}
`, regexp.MustCompile(`(?s)^[^,]*,(.{9}),[^;]*;`), " \t'()", false},
	{`
lines: [{line: "{weight} {unit} {kind}"}, {line: "{range}"}, {line: "{weight}g{ignore}"}]
kind: {N: net}
range: {over: over, under: under}
`, regexp.MustCompile(`^[ \t]*([-+]?[0-9.]+)(?:[ \t]|g)`), "", false},
	{`
frame: {block: {last: [Net], first: [Lot]}}
block: [{line: "Lot {sample}"}, {line: "Tare {ignore}", optional: true}, {line: "Net {weight} {unit}"}]
`, regexp.MustCompile(`(?s)\n[ \t]*Net[ \t]+([-+]?[0-9.]+)[ \t]+[^\n]*$`), "", false},
	{`
frame: {ends: ["\r", "\n"]}
line: "R{range_number 1} {date 8} {weight 12}{unit 3}#{check 4}"
date: {order: year-month-day, century: 2000}
check: {sum: crc-16/xmodem}
`, regexp.MustCompile(`(?s)^[ \t]*R. .{8} (.{12}).{3}#.{4}[ \t]*$`), " \t", false},
}

// FuzzApply sends any bytes through layouts of all sorts. Nothing may panic. Whatever number is accepted must be the number
// that the second judge finds: by a regular expression, with decorations stripped, read by libraries that know nothing of
// layouts. And what was read must print to something that reads the same.
func FuzzApply(f *testing.F) {
	for _, c := range speedCases {
		for i := range judgedLayouts {
			f.Add(byte(i), []byte(c.bytes))
		}
	}
	for i, line := range []string{"s     12.3450 g  *\r\na  FULL        g\r\n", "-0.50 kg\n1.2.3 g\n", "S1.234,50-g *\n", "- 1 234,5[6] g LOT 7\n12,5 X\n",
		"\x0207,1'234.5(6),g;x\x0300", "12.5 g N\nover\n12.5g\n", "Lot OAT\nTare 3\nNet 12.5 g\n", "R1 26-11-25      12.5000g  #0000\r"} {
		f.Add(byte(i), []byte(line))
	}
	var compiled []*layout.Layout
	for _, j := range judgedLayouts {
		compiled = append(compiled, parse(f, j.layout))
	}
	f.Fuzz(func(t *testing.T, which byte, stream []byte) {
		i := int(which) % len(compiled)
		l, j := compiled[i], judgedLayouts[i]
		var r layout.Reading
		emit := func(f frame.Frame) {
			if err := l.Apply(f, &r); err != nil {
				if r.HasNumber || r.PrintedUnit() != "" || err.Error() == "" {
					t.Fatalf("%q is refused and leaves a reading: %v", f.Bytes, err)
				}
				return
			}
			j.judge(t, f, &r)
			printAgain(t, l, &r)
		}
		s := l.Splitter()
		s.Push(stream, emit)
		s.Flush(emit)
	})
}

// judge finds the number of a frame by other means and compares.
func (j judged) judge(t *testing.T, f frame.Frame, r *layout.Reading) {
	if !r.HasNumber {
		if r.Range == layout.InRange {
			t.Fatalf("%q reads as no number and in range", f.Bytes)
		}
		return
	}
	runes := make([]rune, len(f.Body))
	for i, c := range f.Body {
		runes[i] = rune(c)
	}
	found := j.find.FindStringSubmatch(string(runes))
	if found == nil {
		t.Fatalf("%q reads as %s, and the second judge finds no weight", f.Body, r.Digits())
	}
	text := strings.Map(func(c rune) rune {
		if strings.ContainsRune(j.strip, c) {
			return -1
		}
		return c
	}, found[1])
	if j.comma {
		text = strings.ReplaceAll(text, ",", ".")
	}
	if last := len(text) - 1; last > 0 && (text[last] == '-' || text[last] == '+') {
		text = text[last:] + text[:last]
	}
	want, ok := new(big.Rat).SetString(text)
	if !ok || want.Cmp(r.Number.Rat()) != 0 {
		t.Fatalf("%q reads as %s, and the second judge finds %q", f.Body, r.Digits(), text)
	}
	d, _, err := apd.NewFromString(text)
	if err != nil || int(-d.Exponent) != r.Number.Scale() {
		t.Fatalf("%q reads as %s with %d decimals, and the second judge finds %v (%v)", f.Body, r.Digits(), r.Number.Scale(), d, err)
	}
	if text != r.Digits() {
		t.Fatalf("%q has the digits %s and reads as %s", f.Body, text, r.Digits())
	}
}

// printAgain prints a reading and reads it once more. A layout may have no way to print a reading, never a wrong one.
func printAgain(t *testing.T, l *layout.Layout, r *layout.Reading) {
	want := layout.ValuesOf(r)
	out, err := l.Print(nil, want)
	if err != nil {
		return
	}
	var again layout.Reading
	s := l.Splitter()
	emit := func(f frame.Frame) {
		if err := l.Apply(f, &again); err != nil {
			t.Fatalf("%q was printed for %+v and is refused: %v", out, want, err)
		}
	}
	s.Push(out, emit)
	s.Flush(emit)
	if got := layout.ValuesOf(&again); got != want {
		t.Fatalf("%q was printed for %+v and reads as %+v", out, want, got)
	}
}

// FuzzParse sends any text as a layout. Nothing may panic, and a layout that is accepted has a splitter, can be applied to
// anything, and has a printer that is its inverse.
func FuzzParse(f *testing.F) {
	for _, j := range judgedLayouts {
		f.Add(j.layout, []byte("s     12.3450 g  *\r\n"))
	}
	for _, c := range speedCases {
		f.Add(c.layout, []byte(c.bytes))
	}
	f.Fuzz(func(t *testing.T, src string, stream []byte) {
		l, err := layout.Parse("f", []byte(src))
		if err != nil {
			if err.Error() == "" {
				t.Fatal("a fault without a word")
			}
			return
		}
		var r layout.Reading
		emit := func(f frame.Frame) {
			if l.Apply(f, &r) == nil {
				printAgain(t, l, &r)
			}
		}
		s := l.Splitter()
		s.Push(stream, emit)
		s.Flush(emit)
	})
}
