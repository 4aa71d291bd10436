package format

import (
	"bytes"
	"encoding/base64"
	"encoding/csv"
	"regexp"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// TestRFC4180Examples: the records are the examples of RFC 4180 section 2, rules 1, 5, 6 and 7, as printed there.
func TestRFC4180Examples(t *testing.T) {
	for text, fields := range map[string][]string{
		"aaa,bbb,ccc\r\n":                         {"aaa", "bbb", "ccc"},
		"zzz,yyy,xxx\r\n":                         {"zzz", "yyy", "xxx"},
		"\"aaa\",\"bbb\",\"ccc\"\r\n":             {"aaa", "bbb", "ccc"},
		"\"aaa\",\"b\r\nbb\",\"ccc\"\r\n":         {"aaa", "b\r\nbb", "ccc"},
		"\"aaa\",\"b\"\"bb\",\"ccc\"\r\n":         {"aaa", `b"bb`, "ccc"},
		"field_name,field_name,field_name\r\n":    {"field_name", "field_name", "field_name"},
		"aaa,\"b,bb\",ccc\r\n":                    {"aaa", "b,bb", "ccc"}, // rule 6 in words: commas
		"\"aaa\",\"bbb\"\"\",\"\"\"ccc\"\r\n":     {"aaa", `bbb"`, `"ccc`},
		"aaa,,\r\n":                               {"aaa", "", ""},
		"aaa,\" spaces are part of it \",ccc\r\n": {"aaa", " spaces are part of it ", "ccc"}, // rule 4
	} {
		got := string(AppendCSV(nil, fields))
		if !slices.Equal(read(t, []byte(got))[0], read(t, []byte(text))[0]) {
			t.Errorf("%q and the RFC's %q do not read alike", got, text)
		}
		// The RFC allows quotes around every field; ours stand only where they are needed.
		if len(got) > len(text) || !strings.Contains(text, `"`) && got != text || !grammar.MatchString(got) {
			t.Errorf("got %q for the RFC's %q", got, text)
		}
	}
}

// The grammar of RFC 4180 section 2, with TEXTDATA widened to UTF-8 and, inside quotes, to other control characters.
var (
	nonEscaped = `[^\x00-\x1f\x7f",]*`
	escapedF   = `"([^"]|"")*"`
	grammar    = regexp.MustCompile(`^(` + escapedF + `|` + nonEscaped + `)(,(` + escapedF + `|` + nonEscaped + `))*\r\n$`)
)

// TestRecordsKeepToTheGrammar has two judges: the RFC's grammar, and the reader of encoding/csv, which is documented to turn
// CRLF within quotes into LF.
func TestRecordsKeepToTheGrammar(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		field := rapid.OneOf(rapid.String(), rapid.SampledFrom(sinktest.Hostile), rapid.StringMatching(`[ ,"\r\n=a]{0,9}`))
		fields := rapid.SliceOfN(field, 2, 6).Draw(t, "fields")
		row := AppendCSV(nil, fields)
		if !grammar.Match(row) {
			t.Fatalf("%q is no record by RFC 4180", row)
		}
		if own, err := ParseCSV(row); err != nil || !slices.Equal(own, fields) || EndOfCSV(row) != len(row) {
			t.Fatalf("%q reads back as %q: %v", row, own, err)
		}
		got, err := csv.NewReader(bytes.NewReader(row)).ReadAll()
		if err != nil || len(got) != 1 {
			t.Fatalf("%q reads as %q: %v", row, got, err)
		}
		for i := range fields {
			if want := strings.ReplaceAll(fields[i], "\r\n", "\n"); got[0][i] != want {
				t.Fatalf("field %q reads back as %q", want, got[0][i])
			}
		}
	})
}

func read(t *testing.T, b []byte) [][]string {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(b)).ReadAll()
	if err != nil {
		t.Fatalf("%q: %v", b, err)
	}
	return rows
}

// tableOf is the table with all columns.
func tableOf(t *testing.T, spreadsheet bool) *table {
	t.Helper()
	f, err := openCSV(&Choice{CSV: CSVDialect{Separator: "comma", Header: true, Spreadsheet: spreadsheet}}, sinks.Env{})
	if err != nil {
		t.Fatal(err)
	}
	made, _ := f.(*table)
	return made
}

func TestWeighingsAsCSVKeepEveryDigit(t *testing.T) {
	at := func(name string) int { return slices.Index(CSVHeader(), name) }
	for _, spreadsheet := range []bool{false, true} {
		file := AppendCSV(nil, CSVHeader())
		entries := append(sinktest.Weighings(1000, 4), sinktest.WithSamples(sinktest.Hostile, 5)...)
		for _, e := range entries {
			fields, err := tableOf(t, spreadsheet).fields(e)
			if err != nil {
				t.Fatal(err)
			}
			file = AppendCSV(file, fields)
		}
		rows := read(t, file)
		if !slices.Equal(rows[0], CSVHeader()) || len(rows) != len(entries)+1 {
			t.Fatalf("%d rows under %q", len(rows)-1, rows[0])
		}
		for i, row := range rows[1:] {
			want := sinktest.FactOf(t, entries[i])
			sample := row[at("sample")]
			if spreadsheet {
				sample = strings.TrimPrefix(sample, "'")
			}
			got := sinktest.Fact{ID: row[at("id")], Balance: row[at("balance")], Digits: row[at("digits")], Unit: row[at("unit")],
				PrintedUnit: row[at("printed_unit")], Kind: row[at("kind")], Stability: row[at("stability")],
				InRange: row[at("range")], UTC: row[at("utc")], Sample: sample}
			want.Sample = strings.ReplaceAll(want.Sample, "\r\n", "\n") // by encoding/csv, see above
			if got != want {
				t.Fatalf("row %d:\n got  %+v\n want %+v", i, got, want)
			}
			if _, err := base64.StdEncoding.DecodeString(row[at("frame")]); err != nil {
				t.Fatal(err)
			}
			if spreadsheet {
				checkNeutral(t, row)
			}
		}
	}
}

// TestBadRecordsAreRefused: what RFC 4180 does not allow, and encoding/csv refuses as well.
func TestBadRecordsAreRefused(t *testing.T) {
	for _, bad := range []string{"a,\"b\r\n", "a,b\"c\r\n", "\"a\"b,c\r\n", "a,\"\r\n"} {
		if fields, err := ParseCSV([]byte(bad)); err == nil {
			t.Errorf("%q was read as %q", bad, fields)
		}
		if rows, err := csv.NewReader(strings.NewReader(bad)).ReadAll(); err == nil {
			t.Errorf("encoding/csv reads %q as %q", bad, rows)
		}
	}
}

// checkNeutral wants no cell that a spreadsheet would run, other than plain numbers and the zone.
func checkNeutral(t *testing.T, row []string) {
	t.Helper()
	harmless := regexp.MustCompile(`^([+-]?[0-9]*\.?[0-9]*|[+-][0-9]{2}:[0-9]{2})$`)
	for i, cell := range row {
		if cell != "" && strings.Contains("=+-@\t\r\n", cell[:1]) && !harmless.MatchString(cell) {
			t.Fatalf("column %s holds %q", CSVHeader()[i], cell)
		}
	}
}

func TestDigitsThatAreNoNumberAreText(t *testing.T) {
	e := sinktest.Weighings(1, 1)[0]
	e.JSON = regexp.MustCompile(`"digits":"[^"]*"`).ReplaceAll(e.JSON, []byte(`"digits":"-1+cmd|x"`))
	fields, err := tableOf(t, true).fields(e)
	if err != nil {
		t.Fatal(err)
	}
	if got := fields[slices.Index(CSVHeader(), "digits")]; got != "'-1+cmd|x" {
		t.Errorf("got %q", got)
	}
}

func TestOnlyWeighingsAndResultsHaveACSVForm(t *testing.T) {
	if _, err := tableOf(t, false).fields(record.Entry{Kind: record.KindPortUp, JSON: []byte(`{}`)}); err == nil {
		t.Error("a port that came up was made a row")
	}
}

func TestJSONIsTheJournalsOwn(t *testing.T) {
	entries := sinktest.Weighings(3, 1)
	if !bytes.Equal(JSON(entries[0]), entries[0].JSON) {
		t.Error("the bytes differ")
	}
	want := "[" + string(entries[0].JSON) + "," + string(entries[1].JSON) + "," + string(entries[2].JSON) + "]"
	if got := string(Array(entries)); got != want {
		t.Errorf("got %s", got)
	}
	if !OneLine(entries[0]) || OneLine(record.Entry{JSON: []byte("{\n}")}) {
		t.Error("OneLine does not see line ends")
	}
}
