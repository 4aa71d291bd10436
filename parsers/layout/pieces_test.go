package layout

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"weighpost/parsers/frame"
)

// TestPiecesSayWhatEachFieldTakes: by hand from the examples in the comments of these layouts.
func TestPiecesSayWhatEachFieldTakes(t *testing.T) {
	for _, c := range []struct {
		file, bytes, want, why string
	}{
		{"bench-net-grams.yaml", "rests | +   12.3450 g  | seed\r\n", "stability=rests weight=+   12.3450 unit=g kind=seed", ""},
		{"bench-net-grams.yaml", "rests | +   12.345  g  | seed\r\n", "stability=rests", "decimal"},
		{"print-block-sample.yaml", "seed bank, accession room, balance 07\r\nweighed 25.11.2026, 10:04:05\r\nseed .......... 12.3450 g\r\n",
			"balance=07 date=25.11.2026 time=10:04:05 weight=12.3450 unit=g", ""},
		{"checked-telegram.yaml", "\x02  12.3450 g   rest lot \x032C", "weight=12.3450 unit=g stability=rest kind=lot", ""},
	} {
		src, err := os.ReadFile(filepath.Join("../../configs/layouts", c.file))
		if err != nil {
			t.Fatal(err)
		}
		l, err := Parse(c.file, src)
		if err != nil {
			t.Fatal(err)
		}
		var frames []frame.Frame
		s := l.Splitter()
		keep := func(f frame.Frame) {
			f.Bytes, f.Body, f.Trailer, f.Lines = slices.Clone(f.Bytes), slices.Clone(f.Body), slices.Clone(f.Trailer), slices.Clone(f.Lines)
			frames = append(frames, f)
		}
		s.Push([]byte(c.bytes), keep)
		s.Flush(keep)
		if len(frames) != 1 {
			t.Fatalf("%s: %d frames", c.file, len(frames))
		}
		pieces, err := l.Pieces(frames[0])
		var got []string
		for _, p := range pieces {
			if p.Name != "" {
				got = append(got, p.Name+"="+strings.TrimSpace(string(frames[0].Bytes[p.From:p.To])))
			}
		}
		if strings.Join(got, " ") != c.want || (err != nil) != (c.why != "") || err != nil && !strings.Contains(err.Error(), c.why) {
			t.Errorf("%s: %s, %v; want %s, %s", c.file, strings.Join(got, " "), err, c.want, c.why)
		}
	}
}
