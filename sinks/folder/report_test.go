package folder

import (
	"crypto/sha256"
	"fmt"
	"testing"

	"weighpost/gateway/record"
	"weighpost/sinks"
	"weighpost/sinks/format"
)

// TestAReportForProgramsIsNamedAsThat: a file of JSON is not called a PDF, whatever the reports beside it are; another end is left alone.
func TestAReportForProgramsIsNamedAsThat(t *testing.T) {
	for body, form := range map[string]string{"%PDF-1.7": "", "{}": record.ReportJSON} {
		e := record.Entry{ID: "seed-bank/7qx3/@/000031", Kind: record.KindReportIssued,
			JSON: fmt.Appendf(nil, `{"id":"seed-bank/7qx3/@/000031","report":"rep-7qx3-000005","form":%q,"sum":"%x"}`, form, sha256.Sum256([]byte(body)))}
		for name, end := range map[string]string{"": record.ReportExt(form), "reports/{id}.pdf": record.ReportExt(form), "{id}.report": ".report"} {
			c := format.DefaultChoice()
			c.Format = format.NameReport
			f, err := NewFiling(c, name, "{id}", false, "share", sinks.Env{Reports: func(string) ([]byte, error) { return []byte(body), nil }})
			if err != nil {
				t.Fatal(err)
			}
			got, made, err := f.Made(e)
			if want := format.SafeID(e.ID) + end; err != nil || string(made) != body || got != want && got != "reports/"+want {
				t.Errorf("%s as %q: %s %v", form, name, got, err)
			}
		}
	}
}
