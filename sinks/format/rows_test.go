package format

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// addable are configurations of which rows can be added to a file.
var addable = []string{"format: ndjson", "format: csv", "format: csv\ncsv: {spreadsheet: true}",
	"format: csv\ncsv: {columns: [digits, id, sample, utc], separator: semicolon, decimal: comma}",
	"format: csv\ncsv: {columns: [sample, id, schema], separator: tab, bom: true, names: {sample: \"a\\tb\"}}"}

// TestRowsAreFoundAgain: a body is a head and rows, each of which tells its end and its entry.
func TestRowsAreFoundAgain(t *testing.T) {
	entries := append(sinktest.Weighings(200, 4), sinktest.WithSamples(sinktest.Hostile, 2)...)
	for _, keys := range addable {
		rows, ok := open(t, keys, Added).(Rows)
		if !ok {
			t.Fatalf("%s has no rows", keys)
		}
		body := everything(t, rows, entries)
		rest, found := bytes.CutPrefix(body, rows.Head())
		if !found || len(rows.Head()) > 0 && !bytes.HasSuffix(rows.Head(), []byte(rows.LineEnd())) {
			t.Fatalf("%s: the head is %q", keys, rows.Head())
		}
		for _, e := range entries {
			n := rows.EndOfRow(rest)
			id, err := rows.ID(rest[:n])
			if n == 0 || err != nil || id != e.ID || !bytes.HasSuffix(rest[:n], []byte(rows.LineEnd())) {
				t.Fatalf("%s: %q is of %q, %v", keys, rest[:n], id, err)
			}
			rest = rest[n:]
		}
		if len(rest) > 0 {
			t.Fatalf("%s: %q is left", keys, rest)
		}
	}
}

// TestARowThatWasCutOffIsNone, even if something gives it an end: at every byte.
func TestARowThatWasCutOffIsNone(t *testing.T) {
	entries := sinktest.WithSamples([]string{"LOT-1", "a\r\nb,\"c\"\n;", "é"}, 1)
	for _, keys := range addable {
		rows, _ := open(t, keys, Added).(Rows)
		for _, e := range entries {
			row, err := rows.AppendRow(nil, e)
			if err != nil {
				t.Fatal(err)
			}
			whole := bytes.TrimSuffix(row, []byte(rows.LineEnd()))
			for cut := range len(whole) {
				torn := append(bytes.Clone(whole[:cut]), rows.LineEnd()...)
				if id, err := rows.ID(torn); err == nil {
					t.Fatalf("%s: %q passes for the row of %s", keys, torn, id)
				}
			}
		}
	}
}

func TestRowsTakeOnlyWhatTheyHold(t *testing.T) {
	for keys, e := range map[string]record.Entry{
		"format: ndjson": {ID: "a", Kind: record.KindWeighing, JSON: []byte("{\n}")},
		"format: csv":    {ID: "a", Kind: record.KindPortUp, JSON: []byte("{}")},
	} {
		rows, _ := open(t, keys, Added).(Rows)
		var refused NotHeld
		if got, err := rows.AppendRow([]byte("before"), e); !errors.As(err, &refused) || string(got) != "before" {
			t.Errorf("%s: %q, %v", keys, got, err)
		}
	}
}

// TestAThousandWeighingsInJSON: one by one, as lines and as an array, byte for byte.
func TestAThousandWeighingsInJSON(t *testing.T) {
	entries := sinktest.Weighings(1000, 21)
	var each []sinktest.Fact
	one := open(t, "format: json", OneByOne)
	for _, e := range entries {
		p, err := one.Entry(e)
		if err != nil || !bytes.Equal(p.Body, e.JSON) {
			t.Fatal(e.ID, err)
		}
		each = append(each, sinktest.FactOf(t, e))
	}
	for _, keys := range []string{"format: json", "format: ndjson"} {
		body := everything(t, open(t, keys, Together), entries)
		facts, err := sinktest.ParseJSON(sinktest.Arrival{Body: body})
		if err != nil || !slices.Equal(facts, each) || !bytes.Contains(body, entries[999].JSON) {
			t.Errorf("%s: %d facts, %v", keys, len(facts), err)
		}
	}
	if got := string(everything(t, one, nil)); got != "[]" {
		t.Errorf("no entries are %q", got)
	}
}

// TestAStreamGoesOnAfterWhatItCannotHold: nothing of it was written.
func TestAStreamGoesOnAfterWhatItCannotHold(t *testing.T) {
	entries := sinktest.WithSamples([]string{"LOT-1", "LOT-2"}, 1)
	bad := record.Entry{Seq: 9, ID: "a\nb", Kind: record.KindPortUp, JSON: []byte("{\n]")}
	for _, keys := range []string{"format: ndjson", "format: csv", "format: template\ntemplate: {text: \"{{.id}};\"}", eventKeys + "structured}"} {
		f := open(t, keys, Together)
		var with, without bytes.Buffer
		for b, list := range map[*bytes.Buffer][]record.Entry{&with: {entries[0], bad, entries[1]}, &without: entries} {
			s, err := f.Stream(b)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range list {
				var refused NotHeld
				if err := s.Add(e); (err != nil) != (e.ID == bad.ID) || err != nil && !errors.As(err, &refused) {
					t.Fatalf("%s: %v", keys, err)
				}
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(with.Bytes(), without.Bytes()) {
			t.Errorf("%s: %q\n%q", keys, with.Bytes(), without.Bytes())
		}
		if strings.Contains(f.Type(), "\n") || !strings.HasPrefix(f.Ext(), ".") {
			t.Errorf("%s: %s %s", keys, f.Type(), f.Ext())
		}
	}
}
