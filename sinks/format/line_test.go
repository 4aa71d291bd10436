package format

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"weighpost/gateway/record"
	"weighpost/parsers/frame"
	"weighpost/parsers/layout"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// allLayouts are the example layouts and those of the recorded streams.
func allLayouts(t testing.TB) map[string]*layout.Layout {
	t.Helper()
	all := map[string]*layout.Layout{}
	for _, pattern := range []string{"../../configs/layouts/*.yaml", "../../testdata/streams/*.layout.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			t.Fatalf("no layouts in %s: %v", pattern, err)
		}
		for _, file := range files {
			src, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if all[filepath.Base(file)], err = layout.Parse(filepath.Base(file), src); err != nil {
				t.Fatal(err)
			}
		}
	}
	return all
}

// readLine applies a layout to the bytes of one frame.
func readLine(t interface{ Fatalf(string, ...any) }, l *layout.Layout, body []byte) *layout.Reading {
	var r layout.Reading
	n := 0
	s := l.Splitter()
	emit := func(f frame.Frame) {
		n++
		if err := l.Apply(f, &r); err != nil {
			t.Fatalf("%q is refused: %v", body, err)
		}
	}
	s.Push(body, emit)
	s.Flush(emit)
	if n != 1 {
		t.Fatalf("%q is %d frames", body, n)
	}
	return &r
}

func drawn(t *rapid.T) layout.Values {
	v := layout.Values{
		Digits:          rapid.StringMatching(`[+-]?(0|[1-9][0-9]{0,3}|00[0-9]{2})(\.[0-9]{1,4})?`).Draw(t, "digits"),
		Unit:            rapid.SampledFrom([]string{"g", "mg", "kg", "ug", "[oz_tr]", "[oz_av]", "momme", "pieces", "%"}).Draw(t, "unit"),
		Kind:            layout.Kind(rapid.IntRange(0, 4).Draw(t, "kind")),
		Stability:       layout.Stability(rapid.IntRange(0, 2).Draw(t, "stability")),
		AuxiliaryDigits: rapid.SampledFrom([]int{0, 0, 0, 1}).Draw(t, "auxiliary"),
		Person:          rapid.SampledFrom([]string{"", "p-07", "K 12"}).Draw(t, "person"),
		Sample:          rapid.SampledFrom([]string{"", "OAT-7", "RYE 12", "Möhre", "007"}).Draw(t, "sample"),
		Balance:         rapid.SampledFrom([]string{"07", ""}).Draw(t, "balance"),
		Count:           rapid.SampledFrom([]string{"1250", ""}).Draw(t, "count"),
		Date:            rapid.SampledFrom([]string{"2026-11-25", ""}).Draw(t, "date"),
		Time:            rapid.SampledFrom([]string{"10:04:05", ""}).Draw(t, "time"),
		RangeNumber:     rapid.SampledFrom([]string{"1", "2"}).Draw(t, "range number"),
	}
	if state := layout.Range(rapid.SampledFrom([]int{0, 0, 0, 0, 1, 2}).Draw(t, "range")); state != layout.InRange {
		v.Range, v.Digits, v.AuxiliaryDigits = state, "", 0
		if rapid.Bool().Draw(t, "no unit") {
			v.Unit = ""
		}
	}
	return v
}

// recorded makes the entry that a reading becomes.
func recorded(t interface{ Fatalf(string, ...any) }, r *layout.Reading) record.Entry {
	w := record.Weighing{
		Head:    record.Head{Schema: record.KindWeighing.Schema(), ID: record.EntryID("north-seed-bank", "7qx3", "b-01", 1), Seq: 1, Site: "north-seed-bank"},
		Balance: record.Balance{ID: "b-01"}, Value: record.ValueOf(r), Printed: record.PrintedOf(r),
		Stamp:   record.Stamp{UTC: record.UTC(time.Date(2026, 11, 25, 23, 30, 7, 0, time.UTC)), Zone: "+01:00"},
		Context: record.Context{Fields: map[string]string{}},
	}
	if sample := r.Sample(); sample != "" {
		w.Context.Sample = &record.Learnt{ID: sample, By: "printed"}
	}
	if person := r.Person(); person != "" {
		w.Context.Person = &record.Learnt{ID: person, By: "printed"}
	}
	raw, err := json.Marshal(&w)
	if err != nil {
		t.Fatalf("%v", err)
	}
	return record.Entry{Seq: 1, Kind: record.KindWeighing, ID: w.ID, Balance: "b-01", JSON: raw}
}

// TestALayoutRunBackwardsIsTheIdentity: a line that a layout reads becomes an entry, the entry a line again, and that reads as the
// first one did: digits, sign, unit and its symbol, kind, stability, range, and all else that was printed.
func TestALayoutRunBackwardsIsTheIdentity(t *testing.T) {
	for name, l := range allLayouts(t) {
		t.Run(name, func(t *testing.T) {
			printed := 0
			rapid.Check(t, func(t *rapid.T) {
				var body []byte
				err := errors.New("nothing drawn yet")
				for range 40 {
					if body, err = l.Print(nil, drawn(t)); err == nil {
						break
					}
				}
				if err != nil {
					return
				}
				printed++
				first := readLine(t, l, body)
				again, err := printedLine{l: l}.Entry(recorded(t, first))
				if err != nil {
					t.Fatalf("%q reads as %+v, which is not held: %v", body, layout.ValuesOf(first), err)
				}
				second := readLine(t, l, again.Body)
				if a, b := record.ValueOf(first), record.ValueOf(second); a != b {
					t.Fatalf("%q reads as %+v, and printed again, %q, as %+v", body, a, again.Body, b)
				}
				if a, b := record.PrintedOf(first), record.PrintedOf(second); (a == nil) != (b == nil) || a != nil && *a != *b {
					t.Fatalf("%q says %+v, and printed again, %q, %+v", body, a, again.Body, b)
				}
			})
			if printed == 0 {
				t.Error("no values could be printed")
			}
		})
	}
}

const scale = "line: \"{weight 12} {unit 3} {sample}\"\n"

func line(t *testing.T, text string) Format {
	t.Helper()
	return open(t, "format: line\nline: {layout: "+strict.Quote(text)+"}", OneByOne)
}

// TestALineIsPrintedExactlyOrNotAtAll.
func TestALineIsPrintedExactlyOrNotAtAll(t *testing.T) {
	with := func(change func(*record.Weighing)) record.Entry {
		e := sinktest.WithSamples([]string{"LOT-0007"}, 1)[0]
		var w record.Weighing
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			t.Fatal(err)
		}
		w.Value = record.Value{Digits: "-0.0500", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}
		change(&w)
		raw, err := json.Marshal(&w)
		if err != nil {
			t.Fatal(err)
		}
		e.JSON = raw
		return e
	}
	for what, c := range map[string]struct {
		change func(*record.Weighing)
		want   string // a line, or what the refusal says
	}{
		"as it is":       {func(*record.Weighing) {}, "     -0.0500 g   LOT-0007\r\n"},
		"leading zeros":  {func(w *record.Weighing) { w.Value.Digits = "+0001.50" }, "    +0001.50 g   LOT-0007\r\n"},
		"ounces":         {func(w *record.Weighing) { w.Value.Unit, w.Value.PrintedUnit = "[oz_av]", "oz" }, "no word for the unit [oz_av]"},
		"too wide":       {func(w *record.Weighing) { w.Value.Digits = "1234567.123456" }, "is wider than 12"},
		"a tare":         {func(w *record.Weighing) { w.Value.Kind = "tare" }, "it is a tare, and the layout has no place to say so"},
		"unstable":       {func(w *record.Weighing) { w.Value.Stability = "unstable" }, "it is an unstable weight, and the layout has no place to say so"},
		"brackets":       {func(w *record.Weighing) { w.Value.AuxiliaryDigits = 1 }, "no brackets"},
		"over":           {func(w *record.Weighing) { w.Value = record.Value{Kind: "net", Stability: "stable", Range: "over"} }, "no mark for a weight that is over range"},
		"line end":       {func(w *record.Weighing) { w.Context.Sample.ID = "LOT\r\n7" }, "would make 2 frames"},
		"blank in front": {func(w *record.Weighing) { w.Context.Sample.ID = " LOT" }, "would read as"},
	} {
		p, err := line(t, scale).Entry(with(c.change))
		var refused NotHeld
		switch {
		case err == nil && string(p.Body) != c.want:
			t.Errorf("%s: %q", what, p.Body)
		case err != nil && (!errors.As(err, &refused) || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := line(t, scale).Entry(record.Entry{Kind: record.KindPortUp, JSON: []byte("{}")}); err == nil {
		t.Error("a port that came up was printed")
	}
}

// TestAUnitWithoutACodeIsPrintedAsItWas: a record has only the symbol of such a unit. It is printed by the one that the layout prints so, and
// not by the first that the layout knows.
func TestAUnitWithoutACodeIsPrintedAsItWas(t *testing.T) {
	e := sinktest.WithSamples([]string{"LOT-7"}, 1)[0]
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		t.Fatal(err)
	}
	const layout = "line: \"{weight} {unit}\"\nunit: {words: {g: g, ml: momme, tl: tola}}\n"
	for printed, want := range map[string]string{"ml": "3.50 ml\r\n", "tl": "3.50 tl\r\n", "xx": `no unit that it prints as "xx"`} {
		w.Value = record.Value{Digits: "3.50", PrintedUnit: printed, Kind: "net", Stability: "stable", Range: "in"}
		raw, err := json.Marshal(&w)
		if err != nil {
			t.Fatal(err)
		}
		e.JSON = raw
		p, err := line(t, layout).Entry(e)
		if err == nil && string(p.Body) != want || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %q, %v, want %q", printed, p.Body, err, want)
		}
	}
}

// TestDateAndTimeAreThePlaces: where the balance printed none, the stamp's, by the clock on the wall.
func TestDateAndTimeAreThePlaces(t *testing.T) {
	e := sinktest.WithSamples([]string{"LOT-7"}, 1)[0]
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		t.Fatal(err)
	}
	at := w.Stamp.UTC.Time().In(time.FixedZone("", 3600))
	w.Value = record.Value{Digits: "1.50", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"}
	raw, err := json.Marshal(&w)
	if err != nil {
		t.Fatal(err)
	}
	e.JSON = raw
	text := strict.Quote("line: \"{date 10} {time 8} {balance 8}: {weight} {unit}\"\ndate: {order: day.month.year}\n")
	p, err := open(t, "format: line\nline: {layout: "+text+", add: [time, balance]}", OneByOne).Entry(e)
	if want := at.Format("02.01.2006 15:04:05 ") + fmt.Sprintf("%-8s: 1.50 g\r\n", w.Balance.ID); err != nil || string(p.Body) != want {
		t.Errorf("%q, %v, want %q", p.Body, err, want)
	}
	if p, err := open(t, "format: line\nline: {layout: "+text+"}", OneByOne).Entry(e); err == nil || !strings.Contains(err.Error(), "is no date") {
		t.Errorf("%q, %v", p.Body, err)
	}
}

func TestFaultsOfALine(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{"good.yaml": "line: \"{weight} {unit}\"\n", "bad.yaml": "linee: x\n", "long.yaml": strings.Repeat("#", maxText+1)} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for text, want := range map[string]string{
		"{}":                               "line: layout and file are missing",
		"{layout: x, file: /y}":            "line.file: is given beside layout",
		"{file: scale.yaml}":               `line.file: "scale.yaml" is not absolute`,
		"{file: " + dir + "/none.yaml}":    "no such file",
		"{file: " + dir + "/long.yaml}":    "has more than 65536 bytes",
		"{file: " + dir + "}":              "is no plain file",
		"{file: " + dir + "/bad.yaml}":     "bad.yaml:1:1: linee: unknown key",
		"{layout: 'line: \"{weight}\"'}":   "line.layout: the layout cannot be used: layout:1",
		"{file: " + dir + "/good.yaml}":    "",
		"{layout: 'line: \"{weight} g\"'}": "line.layout: the layout cannot be used: layout:1",
	} {
		_, faults := load("format: line\nline: "+text, OneByOne)
		if (len(faults) > 0) != (want != "") || want != "" && !strings.Contains(faults.Error(), want) {
			t.Errorf("%s:\n got  %v\n want %s", text, faults, want)
		}
	}
	c := Choice{Format: NameLine, Line: LineForm{File: filepath.Join(dir, "none.yaml")}}
	if _, err := c.Open(sinks.Env{}); err == nil {
		t.Error("a layout that is not there was opened")
	}
}

// TestAThousandWeighingsInALine: printed where the layout can, and read back the same.
func TestAThousandWeighingsInALine(t *testing.T) {
	f := line(t, `line: "{weight 16} {unit} {kind} {stability}. {sample}"
weight: {over: [OVER], under: [UNDER], brackets: square}
kind: {G: gross, N: net, T: tare, U: unknown}
stability: {S: stable, D: unstable, Q: unknown}
unit: {words: {oz: "[oz_av]", t: t, ct: "[car_m]", mom: momme}}
`)
	p, _ := f.(printedLine)
	held := 0
	for _, e := range sinktest.Weighings(1000, 3) {
		body, err := f.Entry(e)
		if err != nil {
			continue
		}
		held++
		r := readLine(t, p.l, body.Body)
		want := sinktest.FactOf(t, e)
		if r.Digits() != want.Digits || r.UnitCode() != want.Unit || r.Kind.String() != want.Kind || r.Stability.String() != want.Stability ||
			r.Range.String() != want.InRange || r.Sample() != want.Sample {
			t.Fatalf("%q reads as %+v, for %+v", body.Body, layout.ValuesOf(r), want)
		}
	}
	if held < 700 {
		t.Errorf("only %d of 1000 could be printed", held)
	}
}
