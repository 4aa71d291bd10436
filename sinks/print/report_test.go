package print

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// TestAReportIsPrintedAsItWasIssued: the bytes of its file and nothing around them, by ways that take a PDF.
func TestAReportIsPrintedAsItWasIssued(t *testing.T) {
	const pdf = "%PDF-1.7 issued\xff"
	raw, err := json.Marshal(&record.ReportIssued{Report: "rep-7qx3-000004", Sum: fmt.Sprintf("%x", sha256.Sum256([]byte(pdf)))})
	if err != nil {
		t.Fatal(err)
	}
	e := record.Entry{ID: "seed-bank/7qx3/@/000031", Kind: record.KindReportIssued, JSON: raw}
	c := Default()
	c.Way, c.Queue, c.Print = Spooler, "office", Report
	shown, err := c.Preview("office", sinks.Env{Reports: func(string) ([]byte, error) { return []byte(pdf), nil }}, e)
	if err != nil || string(shown.Body) != pdf || shown.Type != "application/pdf" {
		t.Errorf("%+v %v", shown, err)
	}
	if _, err := c.Preview("office", sinks.Env{}, e); err == nil || !strings.Contains(err.Error(), "not to be had here") {
		t.Errorf("%v", err)
	}
	e.JSON = []byte(fmt.Sprintf(`{"report":"rep-7qx3-000005","form":"json","sum":"%x"}`, sha256.Sum256([]byte("{}"))))
	if _, err := c.Preview("office", sinks.Env{Reports: func(string) ([]byte, error) { return []byte("{}"), nil }}, e); err == nil || !strings.Contains(err.Error(), "is for programs to read, and is not printed") {
		t.Errorf("%v", err)
	}
	if c.Carries(record.KindWeighing) || !c.Carries(record.KindReportIssued) {
		t.Error("it prints what is no report")
	}
	c.Way, c.Queue, c.Address = Raw, "", "127.0.0.1:9100"
	r := strict.NewReport("lab.yaml")
	if c.Check(r); !strings.Contains(r.Faults().Error(), "a report is a PDF") {
		t.Error(r.Faults())
	}
	c.Print, c.Format = Text, "report"
	r = strict.NewReport("lab.yaml")
	if c.Check(r); !strings.Contains(r.Faults().Error(), "the file of a report is no text") {
		t.Error(r.Faults())
	}
}
