package format

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// TestAReportIsTheFileThatWasIssued, byte for byte; without it, or with another one, the entry is refused with a sentence that names the report.
func TestAReportIsTheFileThatWasIssued(t *testing.T) {
	const pdf = "%PDF-1.7 issued"
	r := &record.ReportIssued{Report: "rep-7qx3-000004", Of: "run", About: "r-1", Sum: fmt.Sprintf("%x", sha256.Sum256([]byte(pdf)))}
	raw, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	e := record.Entry{ID: "seed-bank/7qx3/@/000031", Kind: record.KindReportIssued, JSON: raw}
	c := DefaultChoice()
	c.Format = NameReport
	if c.Carries(record.KindWeighing) || !c.Carries(record.KindReportIssued) || c.Can(Together) || c.Can(Added) {
		t.Error("it carries what is no report")
	}
	for what, give := range map[string]func(string) ([]byte, error){"": func(sum string) ([]byte, error) { return []byte(pdf), nil },
		"is not the one that was issued": func(string) ([]byte, error) { return []byte("%PDF-1.7 another"), nil },
		"cannot be had":                  func(string) ([]byte, error) { return nil, fs.ErrNotExist }, "not to be had here": nil} {
		f, err := c.Open(sinks.Env{Reports: give})
		if err != nil {
			t.Fatal(err)
		}
		p, err := f.Entry(e)
		var not NotHeld
		if what == "" && (err != nil || string(p.Body) != pdf || p.Type != "application/pdf" || f.Ext() != ".pdf") {
			t.Errorf("%+v %v", p, err)
		}
		if what != "" && (!errors.As(err, &not) || !strings.Contains(err.Error(), what)) {
			t.Errorf("%s: %v", what, err)
		}
		if _, err := f.Entry(record.Entry{ID: "x", Kind: record.KindWeighing, JSON: []byte(`{"report": "rep-1"}`)}); err == nil {
			t.Error("a weighing is a report")
		}
	}
}

// TestAReportForProgramsSaysSo: JSON is told to be that, and one that is no JSON any more is not the report.
func TestAReportForProgramsSaysSo(t *testing.T) {
	for body, want := range map[string]string{`{"schema":"weighpost.run-report/1"}`: "", "%PDF-1.7": "is not the one that was issued", "{": "is not the one that was issued"} {
		raw, err := json.Marshal(&record.ReportIssued{Report: "rep-7qx3-000005", Form: record.ReportJSON, Sum: fmt.Sprintf("%x", sha256.Sum256([]byte(body)))})
		if err != nil {
			t.Fatal(err)
		}
		p, err := issuedReports{sinks.Env{Reports: func(string) ([]byte, error) { return []byte(body), nil }}}.Entry(record.Entry{ID: "x", Kind: record.KindReportIssued, JSON: raw})
		if want == "" && (err != nil || p.Type != "application/json" || p.Ext != ".json" || string(p.Body) != body) || want != "" && (err == nil || !strings.Contains(err.Error(), want)) {
			t.Errorf("%s: %+v %v", body, p, err)
		}
	}
}
