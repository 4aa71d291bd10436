package format

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/sinks/sinktest"
)

// everything writes entries as one body.
func everything(t testing.TB, f Format, entries []record.Entry) []byte {
	t.Helper()
	var b bytes.Buffer
	s, err := f.Stream(&b)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if err := s.Add(e); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// reader reads rows by Python's csv module (strict: a quote in the wrong place is an error), and writes them as JSON.
const reader = `import csv, json, sys
csv.field_size_limit(1 << 24)
with open(sys.argv[1], newline="", encoding="utf-8") as f:
    json.dump(list(csv.reader(f, delimiter=sys.argv[2], strict=True)), sys.stdout)
`

// TestPythonReadsOurCSV: 1,000 weighings and every hostile id, in three dialects, byte for byte.
func TestPythonReadsOurCSV(t *testing.T) {
	needs.Programs(t, "python3")
	entries := append(sinktest.Weighings(1000, 17), sinktest.WithSamples(sinktest.Hostile, 2)...)
	for separator, keys := range map[string]string{
		",":  "{}",
		";":  "{separator: semicolon, decimal: comma, columns: [sample, id, digits, balance, unit, printed_unit, kind, stability, range, utc], names: {sample: \"Probe; \\\"Los\\\"\"}}",
		"\t": "{separator: tab, header: false, columns: [utc, range, stability, kind, printed_unit, unit, digits, balance, id, sample]}",
	} {
		f := open(t, "format: csv\ncsv: "+keys, OneByOne)
		file := filepath.Join(t.TempDir(), "out.csv")
		if err := os.WriteFile(file, everything(t, f, entries), 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.CommandContext(t.Context(), "python3", "-c", reader, file, separator).Output()
		if err != nil {
			t.Fatalf("%q: %v", separator, err)
		}
		var rows [][]string
		if err := json.Unmarshal(out, &rows); err != nil {
			t.Fatal(err)
		}
		c, _ := load("format: csv\ncsv: "+keys, OneByOne)
		names := c.CSV.chosen()
		if c.CSV.Header {
			if want := strings.ReplaceAll(strings.Join(names, "|"), "sample|id|digits", "Probe; \"Los\"|id|digits"); strings.Join(rows[0], "|") != want {
				t.Errorf("headings %q, want %s", rows[0], want)
			}
			rows = rows[1:]
		}
		if len(rows) != len(entries) {
			t.Fatalf("%q: %d rows of %d", separator, len(rows), len(entries))
		}
		for i, row := range rows {
			sameRow(t, names, row, sinktest.FactOf(t, entries[i]), c.CSV.Decimal == "comma")
		}
	}
}

func sameRow(t *testing.T, names, row []string, want sinktest.Fact, comma bool) {
	t.Helper()
	at := map[string]string{}
	for i, name := range names {
		at[name] = row[i]
	}
	if comma {
		want.Digits = strings.Replace(want.Digits, ".", ",", 1)
	}
	got := sinktest.Fact{ID: at["id"], Balance: at["balance"], Digits: at["digits"], Unit: at["unit"], PrintedUnit: at["printed_unit"],
		Kind: at["kind"], Stability: at["stability"], InRange: at["range"], UTC: at["utc"], Sample: at["sample"]}
	if got != want {
		t.Fatalf("\n got  %+v\n want %+v", got, want)
	}
}

// sheetCell is a cell of a flat OpenDocument spreadsheet.
type sheetCell struct {
	Formula  string      `xml:"formula,attr"`
	Type     string      `xml:"value-type,attr"`
	Value    string      `xml:"value,attr"`
	Repeated int         `xml:"number-columns-repeated,attr"`
	Lines    []sheetLine `xml:"p"`
}

// text is what the cell shows.
func (c *sheetCell) text() string {
	var lines []string
	for _, l := range c.Lines {
		lines = append(lines, string(l))
	}
	return strings.Join(lines, "\n")
}

// sheetLine is one paragraph, in which blanks and tabs that XML would not keep are elements of their own.
type sheetLine string

func (l *sheetLine) UnmarshalXML(d *xml.Decoder, begin xml.StartElement) error {
	for {
		token, err := d.Token()
		if err != nil {
			return err
		}
		switch token := token.(type) {
		case xml.CharData:
			*l += sheetLine(token)
		case xml.StartElement:
			switch token.Name.Local {
			case "tab":
				*l += "\t"
			case "s":
				n := 1
				for _, a := range token.Attr {
					if a.Name.Local == "c" {
						if n, err = strconv.Atoi(a.Value); err != nil {
							return err
						}
					}
				}
				*l += sheetLine(strings.Repeat(" ", n))
			}
		case xml.EndElement:
			if token.Name == begin.Name {
				return nil
			}
		}
	}
}

// TestLibreOfficeOpensOurCSV opens a file as its import dialog does, once with what it proposes (columns of the kind Standard) and
// once with the kind Text, side by side: the same ids are in the columns lot and sample. Nothing runs as a formula. With Text every
// character is as we wrote it; with Standard, numbers among the ids lose their zeros in front, which no CSV can prevent.
func TestLibreOfficeOpensOurCSV(t *testing.T) {
	needs.Programs(t, "soffice")
	ids := []string{"=1+1", "+1+1", "-1+1", "@SUM(1)", "\t=1", "'lot", "say \"seed\"", "a\nb", "a,b;c", "0007", "007.50", "1e5", "3-4", "LOT-7", " lot ", "Möhre 種子", "=cmd|' /C x'!A0"}
	entries := sinktest.WithSamples(ids, 3)
	for i := range entries {
		entries[i].JSON = regexp.MustCompile(`"lot":null`).ReplaceAll(entries[i].JSON, append([]byte(`"lot":{"by":"typed","id":`), append(appendJSON(nil, ids[i]), '}')...))
	}
	dir := t.TempDir()
	f := open(t, "format: csv\ncsv: {spreadsheet: true, columns: [lot, sample, digits, id]}", OneByOne)
	if err := os.WriteFile(filepath.Join(dir, "in.csv"), everything(t, f, entries), 0o600); err != nil {
		t.Fatal(err)
	}
	// Tokens of the filter: comma, double quote, UTF-8, from line 1, column 2 and 3 as text (2), the others as they come (1).
	out, err := exec.CommandContext(t.Context(), "soffice", "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--headless",
		"--infilter=Text - txt - csv (StarCalc):44,34,76,1,1/1/2/2/3/2/4/1", "--convert-to", "fods", "--outdir", dir, filepath.Join(dir, "in.csv")).CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	rows := sheet(t, filepath.Join(dir, "in.fods"))
	if len(rows) != len(ids)+1 {
		t.Fatalf("%d rows of %d", len(rows), len(ids)+1)
	}
	for i, id := range ids {
		proposed, asText, digits := rows[i+1][0], rows[i+1][1], rows[i+1][2]
		for _, c := range rows[i+1] {
			if c.Formula != "" {
				t.Errorf("%q runs as %s", id, c.Formula)
			}
		}
		want := ForSpreadsheet(id, false)
		if got := asText.text(); asText.Type != "string" || got != want {
			t.Errorf("as text, %q is shown as %q (%s)", want, got, asText.Type)
		}
		if number.MatchString(id) {
			if proposed.Type == "string" {
				t.Errorf("%q is a text without anybody's doing: the manual says otherwise", id)
			}
		} else if got := proposed.text(); id != "1e5" && id != "3-4" && (proposed.Type != "string" || got != want) {
			t.Errorf("as it comes, %q is shown as %q (%s)", want, got, proposed.Type)
		}
		if want := sinktest.FactOf(t, entries[i]).Digits; digits.text() != want {
			t.Errorf("the digits %s are shown as %q", want, digits.text())
		}
	}
}

// sheet reads the cells of the first four columns.
func sheet(t *testing.T, file string) (rows [][]sheetCell) {
	t.Helper()
	src, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	d := xml.NewDecoder(bytes.NewReader(src))
	for {
		token, err := d.Token()
		if err != nil {
			return rows
		}
		begin, ok := token.(xml.StartElement)
		if !ok || begin.Name.Local != "table-row" {
			continue
		}
		var row struct {
			Cells []sheetCell `xml:"table-cell"`
		}
		if err := d.DecodeElement(&row, &begin); err != nil {
			t.Fatal(err)
		}
		var cells []sheetCell
		for _, c := range row.Cells {
			for range max(1, min(c.Repeated, 4)) {
				cells = append(cells, c)
			}
		}
		if len(cells) >= 4 && cells[3].text() != "" {
			rows = append(rows, cells)
		}
	}
}
