package format

import (
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/sinktest"
)

// load reads a choice as a sink does, and gives all faults.
func load(text string, use Use) (Choice, strict.Faults) {
	var c struct {
		Choice `yaml:",inline"`
	}
	c.Choice = DefaultChoice()
	doc, faults := strict.Load("sink.yaml", []byte(text), &c)
	report := doc.Report()
	c.Check(report, use)
	return c.Choice, append(faults, report.Faults()...)
}

// open reads a choice that has no faults and opens it.
func open(t testing.TB, text string, use Use) Format {
	t.Helper()
	c, faults := load(text, use)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	f, err := c.Open(sinks.Env{Site: "north-seed-bank"})
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestFaultsOfAChoice(t *testing.T) {
	for _, c := range []struct {
		use        Use
		text, want string
	}{
		{OneByOne, "format: xml", `format: "xml" is none of what is known here`},
		{Added, "format: json", "format: json cannot be used here: entries are added to a file that is there already; allowed: ndjson or csv"},
		{OneByOne, "format: json\ncsv: {bom: true}", "csv: is only for format: csv; allowed: format: csv, or leave the keys out"},
		{OneByOne, "format: csv\ncsv: {separator: pipe}", `csv.separator: "pipe" is none of what is known here`},
		{OneByOne, "format: csv\ncsv: {decimal: dot}", `csv.decimal: "dot" is none of what is known here`},
		{OneByOne, "format: csv\ncsv: {columns: [id, weight]}", `csv.columns[1]: "weight" is no column`},
		{OneByOne, "format: csv\ncsv: {columns: [id, id]}", `csv.columns[1]: "id" stands here twice`},
		{OneByOne, "format: csv\ncsv: {columns: [id], names: {digits: Weight}}", `csv.names.digits: "digits" is no column of this table; allowed: id`},
		{Added, "format: csv\ncsv: {columns: [digits, utc]}", "csv.columns: rows are added to a file that is there already, and are found again in it by their id"},
		{Added, "format: csv\ncsv: {columns: [id, digits]}", "csv.columns: rows are added to a file that is there already, and a row that was cut off within the column digits would not show"},
		{Added, "format: csv\ncsv: {header: false}", "csv.header: rows are added to a file"},
	} {
		if _, faults := load(c.text, c.use); len(faults) != 1 || !strings.Contains(faults.Error(), c.want) {
			t.Errorf("%q:\n got  %v\n want %s", c.text, faults, c.want)
		}
	}
	for _, text := range []string{"format: json", "format: csv", "format: csv\ncsv: {columns: [sample, id, utc], names: {sample: Lot}, spreadsheet: true}"} {
		if _, faults := load(text, OneByOne); len(faults) > 0 {
			t.Errorf("%q: %v", text, faults)
		}
	}
}

// TestEveryNameOfAFormatIsOffered holds the enum of the key against the formats that there are.
func TestEveryNameOfAFormatIsOffered(t *testing.T) {
	for name, f := range forms {
		c, faults := load("format: "+name, f.uses[0])
		for _, fault := range faults {
			if fault.Path == "format" {
				t.Error(fault)
			}
		}
		kind := record.KindWeighing
		if name == NameReport {
			kind = record.KindReportIssued
		}
		if !c.Can(f.uses[0]) || !c.Carries(kind) {
			t.Errorf("%s carries no %s", name, kind)
		}
	}
}

func TestAPreviewIsThePayload(t *testing.T) {
	e := sinktest.Weighings(1, 1)[0]
	got, err := Preview(open(t, "format: json", OneByOne), e, "lab/topic", sinks.Attribute{Name: "a", Value: "b"})
	if err != nil || got.To != "lab/topic" || got.Type != "application/json" || string(got.Body) != string(e.JSON) || len(got.Attributes) != 1 {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := Preview(open(t, "format: csv", OneByOne), record.Entry{Kind: record.KindPortUp, JSON: []byte("{}")}, ""); err == nil {
		t.Error("a port that came up was shown as a row")
	}
}
