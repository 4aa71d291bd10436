package layout_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
)

// allLayouts are those of the recorded streams and the examples for users.
func allLayouts(t testing.TB) map[string]*layout.Layout {
	t.Helper()
	all := map[string]*layout.Layout{}
	for _, pattern := range []string{"../../testdata/streams/*.layout.yaml", "../../configs/layouts/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("no layouts in %s: %v", pattern, err)
		}
		for _, file := range files {
			src, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			l, err := layout.Parse(filepath.Base(file), src)
			if err != nil {
				t.Fatal(err)
			}
			all[strings.TrimSuffix(strings.TrimSuffix(l.Name(), ".yaml"), ".layout")] = l
		}
	}
	return all
}

// drawValues makes values of all sorts. Many do not suit a given layout: Print has to say so.
func drawValues(t *rapid.T) layout.Values {
	v := layout.Values{
		Digits:          rapid.StringMatching(`[+-]?(0|[1-9][0-9]{0,3}|00[0-9]{2})(\.[0-9]{1,4})?`).Draw(t, "digits"),
		Unit:            rapid.SampledFrom([]string{"g", "mg", "kg", "ug", "[oz_tr]", "[oz_av]", "momme", "pieces", "%"}).Draw(t, "unit"),
		Kind:            layout.Kind(rapid.IntRange(0, 4).Draw(t, "kind")),
		Stability:       layout.Stability(rapid.IntRange(0, 2).Draw(t, "stability")),
		AuxiliaryDigits: rapid.SampledFrom([]int{0, 0, 0, 1}).Draw(t, "auxiliary"),
		Person:          rapid.SampledFrom([]string{"", "p-07", "K 12", "Ä.9", " p", "p/7"}).Draw(t, "person"),
		Sample:          rapid.SampledFrom([]string{"", "OAT-7", "RYE 12", "Möhre", "Рожь", " x", "a;b"}).Draw(t, "sample"),
		Balance:         rapid.SampledFrom([]string{"07", "7", ""}).Draw(t, "balance"),
		Count:           rapid.SampledFrom([]string{"0", "1250", ""}).Draw(t, "count"),
		Date:            rapid.SampledFrom([]string{"2026-11-25", "2028-02-29", ""}).Draw(t, "date"),
		Time:            rapid.SampledFrom([]string{"10:04:05", ""}).Draw(t, "time"),
		RangeNumber:     rapid.SampledFrom([]string{"1", "2"}).Draw(t, "range number"),
	}
	if state := layout.Range(rapid.SampledFrom([]int{0, 0, 0, 0, 0, 1, 2}).Draw(t, "range")); state != layout.InRange {
		v.Range, v.Digits, v.AuxiliaryDigits = state, "", 0
		if rapid.Bool().Draw(t, "no unit") {
			v.Unit = ""
		}
	}
	return v
}

// TestPrintIsTheInverseOfApply prints values with every layout and reads them again.
func TestPrintIsTheInverseOfApply(t *testing.T) {
	for name, l := range allLayouts(t) {
		t.Run(name, func(t *testing.T) {
			printed := 0
			rapid.Check(t, func(t *rapid.T) {
				v := drawValues(t)
				// A few rounds of other kinds and units, so that each layout gets values that it can print.
				for range 40 {
					out, err := l.Print([]byte("before"), v)
					if err == nil {
						printed++
						mustReadBack(t, l, out, v)
						return
					}
					if string(out) != "before" {
						t.Fatalf("after an error, Print appended %q", out)
					}
					v = drawValues(t)
				}
			})
			if printed == 0 {
				t.Error("no values could be printed")
			}
		})
	}
}

func mustReadBack(t *rapid.T, l *layout.Layout, out []byte, v layout.Values) {
	bytes, found := strings.CutPrefix(string(out), "before")
	if !found {
		t.Fatalf("Print lost what it was to append to: %q", out)
	}
	var r layout.Reading
	frames := 0
	s := l.Splitter()
	emit := func(f frame.Frame) {
		frames++
		if err := l.Apply(f, &r); err != nil {
			t.Fatalf("%q is refused: %v", f.Bytes, err)
		}
	}
	s.Push([]byte(bytes), emit)
	s.Flush(emit)
	got := layout.ValuesOf(&r)
	if frames != 1 || got.Digits != v.Digits || got.Range != v.Range || got.AuxiliaryDigits != v.AuxiliaryDigits || v.Range == layout.InRange && got.Unit != v.Unit {
		t.Fatalf("%d frames: %q reads as %+v and was printed for %+v", frames, bytes, got, v)
	}
	// What a layout has no place for stays unsaid; nothing else may differ.
	for _, pair := range [][2]string{{got.Person, v.Person}, {got.Sample, v.Sample}, {got.Balance, v.Balance}, {got.Count, v.Count}, {got.Date, v.Date}, {got.Time, v.Time},
		{got.RangeNumber, v.RangeNumber}, {known(got.Kind.String()), v.Kind.String()}, {known(got.Stability.String()), v.Stability.String()}} {
		if pair[0] != "" && pair[0] != pair[1] {
			t.Fatalf("%q reads as %+v and was printed for %+v", bytes, got, v)
		}
	}
	again, err := l.Print(nil, got)
	if err != nil {
		t.Fatalf("%q reads as %+v, which cannot be printed: %v", bytes, got, err)
	}
	var second layout.Reading
	s = l.Splitter()
	s.Push(again, func(f frame.Frame) {
		if err := l.Apply(f, &second); err != nil {
			t.Fatalf("%q, printed again as %q, is refused: %v", bytes, again, err)
		}
	})
	if layout.ValuesOf(&second) != got {
		t.Fatalf("%q reads as %+v, and printed again as %+v", bytes, got, layout.ValuesOf(&second))
	}
}

// TestPrintWritesThePerson holds the frames of a balance that prints who weighs: each id as it is or not at all.
func TestPrintWritesThePerson(t *testing.T) {
	l := parse(t, "frame: {block: {blank_lines: 1}}\nblock: [{line: \"by {person 6}.\", optional: true}, {line: \"lot {sample}\"}, {line: \"{weight} {unit}\"}]")
	for person, want := range map[string]string{
		"k07": "by k07   .\r\nlot OAT-9\r\n7.0000 g\r\n\r\n", "KÜ 7": "by KÜ 7 .\r\nlot OAT-9\r\n7.0000 g\r\n\r\n", "": "lot OAT-9\r\n7.0000 g\r\n\r\n",
		" k07": "", "k07 ": "", "k071234": "", "k\x07": "",
	} {
		out, err := l.Print(nil, layout.Values{Digits: "7.0000", Unit: "g", Person: person, Sample: "OAT-9"})
		if string(out) != want || (err == nil) != (want != "") {
			t.Errorf("%q is printed as %q, %v", person, out, err)
		}
		if err != nil {
			continue
		}
		var r layout.Reading
		l.Splitter().Push(out, func(f frame.Frame) { err = l.Apply(f, &r) })
		if got := layout.ValuesOf(&r); err != nil || got.Person != person || r.Person() != person || got.Sample != "OAT-9" {
			t.Errorf("%q reads as %+v, %v", out, got, err)
		}
	}
}

func known(s string) string {
	if s == "unknown" {
		return ""
	}
	return s
}
