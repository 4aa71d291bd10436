package layout_test

import (
	"testing"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// speedCases are lines that balances print all day, one a way of matching. The first is the 20-byte line of the budget.
var speedCases = []struct{ name, layout, bytes string }{
	{"twenty bytes", `
line: "{kind 2}{weight 11} {unit 3}{stability}"
kind: {s: net}
stability: {"": unstable, "*": stable}
`, "s     12.3450 g  *\r\n"},
	{"without widths", `
line: "{kind} {weight} {unit} {stability}"
kind: {N: net, NT: net}
stability: {"": unstable, "*": stable}
weight: {decimal: comma, grouping: space, sign: detached, brackets: square}
`, "N - 1 234,56[7] g *\r\n"},
	{"code page and lot", `
code_page: cp850
line: "{date 10} {sample 8} {weight 10} {unit 3}"
date: {order: day.month.year}
`, "25.11.2026 K\x81mmel      12.3450 \xe6g \r\n"},
	{"check", `
frame: {start: "\x02", end: "\x03"}
line: "{weight 10} {unit 3}"
check: {sum: xor, after_end: true}
`, "\x02   12.3450 g  \x0348"},
	{"alternatives", `
lines: [{line: "{weight} {unit} {kind}"}, {line: "{range}"}, {line: "{weight} {unit} {kind} {range}"}]
kind: {N: net}
range: {over: over, under: under}
`, "12.3450 g N\r\n"},
	{"block", `
frame: {block: {first: [Lot], last: [Net]}}
block: [{line: "Lot {sample}"}, {line: "Tare {ignore}", optional: true}, {line: "Net {weight} {unit}"}]
`, "Lot OAT 7\r\nNet 12.3450 g\r\n"},
	{"missing unit", `
line: "{weight} {unit}"
unit: {missing: unstable, missing_unit: g}
`, "12.3450\r\n"},
}

// whole gives the one frame that the bytes make, with bytes of its own.
func whole(t testing.TB, l *layout.Layout, bytes string) (f frame.Frame) {
	t.Helper()
	l.Splitter().Push([]byte(bytes), func(got frame.Frame) {
		all := append([]byte(nil), got.Bytes...)
		start := len(all)
		if i := indexOf(got.Bytes, got.Body); i >= 0 {
			start = i
		}
		f = got
		f.Bytes, f.Body = all, all[start:start+len(got.Body)]
		f.Trailer = append([]byte(nil), got.Trailer...)
		f.Lines = append([]frame.Span(nil), got.Lines...)
	})
	if f.Bytes == nil || f.Fault != "" {
		t.Fatalf("%q makes no frame: %s", bytes, f.Fault)
	}
	return f
}

func indexOf(b, part []byte) int {
	for i := 0; i+len(part) <= len(b); i++ {
		if string(b[i:i+len(part)]) == string(part) {
			return i
		}
	}
	return -1
}

func TestApplyDoesNotAllocate(t *testing.T) {
	for _, c := range speedCases {
		l := parse(t, c.layout)
		f := whole(t, l, c.bytes)
		var r layout.Reading
		if err := l.Apply(f, &r); err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if n := testing.AllocsPerRun(200, func() {
			if err := l.Apply(f, &r); err != nil {
				t.Error(err)
			}
		}); n != 0 {
			t.Errorf("%s: %v allocations a frame", c.name, n)
		}
	}
}

// BenchmarkApply has the budget of 400 ns for a line of twenty bytes.
func BenchmarkApply(b *testing.B) {
	for _, c := range speedCases {
		b.Run(c.name, func(b *testing.B) {
			l := parse(b, c.layout)
			f := whole(b, l, c.bytes)
			var r layout.Reading
			b.ReportAllocs()
			for b.Loop() {
				if err := l.Apply(f, &r); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
