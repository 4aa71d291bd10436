package mail

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
	"weighpost/sinks"
)

// TestAReportIsAttached to the message about it, also where entries are not; one whose file is gone is never sent without it.
func TestAReportIsAttached(t *testing.T) {
	const pdf = "%PDF-1.7 issued"
	raw, err := json.Marshal(&record.ReportIssued{Report: "rep-7qx3-000004", Of: "run", About: "r-1", Sum: fmt.Sprintf("%x", sha256.Sum256([]byte(pdf)))})
	if err != nil {
		t.Fatal(err)
	}
	e := record.Entry{ID: "seed-bank/7qx3/@/000031", Kind: record.KindReportIssued, JSON: raw}
	c := Default()
	c.From, c.To = "scale@lab.example", []string{"ada@lab.example"}
	s := &Sink{cfg: *c, id: "people", site: "seed-bank", env: sinks.Env{Reports: func(string) ([]byte, error) { return []byte(pdf), nil }}}
	m, err := s.write(s.ofEntry(e), time.Unix(0, 0))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if _, err := m.WriteTo(&b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Content-Type: application/pdf", `filename="rep-7qx3-000004.pdf"`, base64.StdEncoding.EncodeToString([]byte(pdf))} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("%q is not in %s", want, b.String())
		}
	}
	if l := s.ofEntries([]record.Entry{e, e}); !strings.Contains(l.body, "are not attached") || l.file != nil {
		t.Errorf("%+v", l)
	}
	s.env.Reports = nil
	if l := s.ofEntry(e); l.err == nil || l.file != nil {
		t.Errorf("%+v", l)
	}
	if _, err := c.Preview("people", sinks.Env{}, e); err == nil {
		t.Error("a message without its report is shown")
	}
}
