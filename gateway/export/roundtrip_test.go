package export_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"weighpost/gateway/export"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/sinks/format"
)

// told is what a weighing says that has to come back from every format.
type told struct{ ID, UTC, Digits, Unit, Sample, Person string }

// thousand makes a journal of 1,000 random weighings, and what they say.
func thousand(t *testing.T) (dir string, want []told) {
	t.Helper()
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	samples := append(hostile(), "", "LOT-1003")
	var bodies []record.Body
	for i := range 1000 {
		digits, unit := random(r)
		bodies = append(bodies, weighing(i, digits, unit, samples[r.IntN(len(samples))]))
	}
	dir = lab(t, bodies...)
	for _, b := range bodies {
		w := b.(*record.Weighing)
		one := told{w.ID, w.Stamp.UTC.String(), w.Value.Digits, w.Value.Unit, "", w.Context.Person.ID}
		if w.Context.Sample != nil {
			one.Sample = w.Context.Sample.ID
		}
		want = append(want, one)
	}
	return dir, want
}

func same(t *testing.T, what string, got, want []told) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s gave %d weighings of %d", what, len(got), len(want))
	}
	for i := range got {
		if got[i] != want[i] {
			t.Fatalf("%s gave %+v for %+v", what, got[i], want[i])
		}
	}
}

// TestAThousandWeighingsComeBack is the rule for every sink and export (EU GMP Annex 11, clause 4.8): digits, unit, sign and
// time are the same on the other side.
func TestAThousandWeighingsComeBack(t *testing.T) {
	t.Parallel()
	dir, want := thousand(t)
	for _, spreadsheet := range []bool{false, true} {
		r := request(export.CSV)
		r.Spreadsheet = spreadsheet
		b, _ := out(t, dir, r)
		same(t, fmt.Sprintf("CSV (spreadsheet: %t)", spreadsheet), fromCSV(t, b, spreadsheet), want)
	}
	b, _ := out(t, dir, request(export.NDJSON))
	var got []told
	for l := range bytes.Lines(b) {
		var w record.Weighing
		if err := json.Unmarshal(l, &w); err != nil {
			t.Fatal(err)
		}
		one := told{w.ID, w.Stamp.UTC.String(), w.Value.Digits, w.Value.Unit, "", w.Context.Person.ID}
		if w.Context.Sample != nil {
			one.Sample = w.Context.Sample.ID
		}
		got = append(got, one)
	}
	same(t, "NDJSON", got, want)
	b, _ = out(t, dir, request(export.Parquet))
	same(t, "Parquet", fromParquet(t, b), want)
}

func fromCSV(t *testing.T, b []byte, spreadsheet bool) (got []told) {
	t.Helper()
	if spreadsheet {
		if !bytes.HasPrefix(b, []byte(format.BOM)) {
			t.Error("a CSV for spreadsheets has no mark of its encoding")
		}
		b = bytes.TrimPrefix(b, []byte(format.BOM))
	}
	var names map[string]int
	for len(b) > 0 {
		n := format.EndOfCSV(b)
		if n < 2 || b[n-2] != '\r' {
			t.Fatalf("a row does not end with CRLF: %.80q", b)
		}
		fields, err := format.ParseCSV(b[:n])
		if err != nil {
			t.Fatal(err)
		}
		if b = b[n:]; names == nil {
			names = map[string]int{}
			for i, f := range fields {
				names[f] = i
			}
			continue
		}
		at := func(name string) string {
			text := fields[names[name]]
			if spreadsheet && strings.ContainsAny(text[:min(1, len(text))], "=@\t\r\n") {
				t.Errorf("%s begins as a formula does: %q", name, text)
			}
			if spreadsheet {
				text = strings.TrimPrefix(text, "'")
			}
			return text
		}
		got = append(got, told{at("id"), at("utc"), at("digits"), at("unit"), at("sample"), at("person")})
	}
	return got
}

// parquetColumns is what the test expects of a Parquet file, written down apart from what writes it.
type parquetColumns struct {
	UTC    *time.Time `parquet:"utc,timestamp(microsecond:utc)"`
	Digits string     `parquet:"digits,optional"`
	Value  *int64     `parquet:"value,decimal(9:18)"`
	Unit   string     `parquet:"unit,optional"`
	Sample string     `parquet:"sample,optional"`
	Person string     `parquet:"person,optional"`
	ID     string     `parquet:"id"`
}

func fromParquet(t *testing.T, b []byte) (got []told) {
	t.Helper()
	rows, err := parquet.Read[parquetColumns](bytes.NewReader(b), int64(len(b)))
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		digits, ok := new(big.Rat).SetString(r.Digits)
		if !ok || r.Value == nil || digits.Cmp(big.NewRat(*r.Value, 1_000_000_000)) != 0 {
			t.Errorf("%s stands beside the decimal %v", r.Digits, r.Value)
		}
		got = append(got, told{r.ID, record.UTC(*r.UTC).String(), r.Digits, r.Unit, r.Sample, r.Person})
	}
	return got
}

// readers in other languages, by programs that are not ours.
const pythonReads = `
import csv, json, sys
with open(sys.argv[1], newline="", encoding=sys.argv[2]) as f:
    for r in csv.DictReader(f, strict=True):
        print(json.dumps({"ID": r["id"], "UTC": r["utc"], "Digits": r["digits"], "Unit": r["unit"], "Sample": r["sample"], "Person": r["person"]}))
`

// TestPythonReadsTheCSV has the csv module of Python's standard library judge the file.
func TestPythonReadsTheCSV(t *testing.T) {
	t.Parallel()
	needs.Programs(t, "python3")
	dir, want := thousand(t)
	b, _ := out(t, dir, request(export.CSV))
	file := filepath.Join(t.TempDir(), "out.csv")
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
	lines, err := exec.CommandContext(context.Background(), "python3", "-c", pythonReads, file, "utf-8").CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, lines)
	}
	var got []told
	for l := range bytes.Lines(lines) {
		var one told
		if err := json.Unmarshal(l, &one); err != nil {
			t.Fatal(err)
		}
		got = append(got, one)
	}
	same(t, "Python", got, want)
}
