package console

import (
	"context"
	"encoding/json"
	"io/fs"
	"net/http"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// stationery makes reports for tests.
type stationery struct{ *treadle }

const (
	aReport = "rep-7qx3-000004"
	anIssue = `{"of": "run", "about": "r-7qx3-000017", "by": "ada"}`
)

func (s stationery) one() record.ReportIssued {
	return record.ReportIssued{Head: record.Head{Schema: "weighpost.report-issued/1", ID: "north-lab/7qx3/@/000031", Seq: 31, Site: "north-lab"}, Report: aReport, Of: "run", About: "r-7qx3-000017",
		Run:      &record.RunRef{ID: "r-7qx3-000017", Procedure: record.ProcedureRef{Name: "net", Version: 1, Hash: "sha256:1"}},
		Template: "built-in", Hash: "sha256:2", Sum: strings.Repeat("ab", 32), Size: 9, Last: 30, Sent: []string{"share"}, By: treadleBy, Stamp: treadleStamp}
}

func (s stationery) PreviewReport(_ context.Context, q ReportAsked) ([]byte, error) {
	switch q.About {
	case "r-9":
		return nil, record.ErrNoRun
	case "r-2":
		return nil, &record.NotDone{Why: "the run r-2 is open"}
	case "r-3":
		return nil, &record.RequestRefused{Why: "there is no template ours"}
	}
	if record.ForPrograms(q.Form) {
		return []byte(`{"schema": "weighpost.run-report/1"}`), nil
	}
	return []byte("%PDF-1.7 "), nil
}

func (s stationery) IssueReport(ctx context.Context, o ReportOrder, by record.Actor) (record.ReportIssued, error) {
	if _, err := s.PreviewReport(ctx, o.ReportAsked); err != nil {
		return record.ReportIssued{}, err
	}
	return s.one(), s.did([]any{o, by})
}

func (s stationery) IssuedReports(ReportsAsked) ReportList {
	return ReportList{Reports: []record.ReportIssued{s.one()}, Next: aReport}
}

func (s stationery) IssuedReport(number string) (ReportView, error) {
	if number == "rep-9" {
		return ReportView{}, ErrNoReport
	}
	return ReportView{ReportIssued: s.one(), Instead: "rep-7qx3-000005"}, nil
}

func (s stationery) ReportFile(_ context.Context, number string) ([]byte, error) {
	if number == "rep-gone" {
		return nil, fs.ErrNotExist
	}
	return []byte("%PDF-1.7 "), nil
}

func (s stationery) ReportTemplates() []ReportTemplates {
	return []ReportTemplates{{Of: "run", Names: []string{"ours", "built-in"}}}
}

// TestAReportIsAFileWithItsNumber: to be saved and not shown by a browser that guesses, and what is gone or not there yet is said.
func TestAReportIsAFileWithItsNumber(t *testing.T) {
	h := open(t)
	for path, want := range map[string]int{"reports/preview?of=run&about=r-1": 200, "reports/preview?of=run&about=r-9": 404, "reports/preview?of=run&about=r-2": 409, "reports/preview?of=run&about=r-3&template=ours": 422,
		"reports/preview?of=week&about=r-1": 422, "reports/preview?of=run": 422, "reports/preview?of=run&about=r-1&form=xml": 422, "reports/" + aReport + "/file": 200, "reports/rep-9/file": 404, "reports/rep-gone/file": 404} {
		resp, answer := send(t, h, http.MethodGet, apiPrefix+path, "", nil)
		if resp.StatusCode != want {
			t.Errorf("%s: %d %s, not %d", path, resp.StatusCode, answer, want)
		}
		if want == 200 && (resp.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(resp.Header.Get("Content-Disposition"), "attachment; filename=") || string(answer) != "%PDF-1.7 ") {
			t.Errorf("%s: %v %s", path, resp.Header, answer)
		}
	}
	resp, text := send(t, h, http.MethodGet, apiPrefix+"reports/preview?of=run&about=r-1&form=laboratory", "", nil)
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "application/json" || resp.Header.Get("Content-Disposition") != `attachment; filename="preview.json"` || !json.Valid([]byte(text)) {
		t.Errorf("as data: %v %s", resp.Header, text)
	}
	for about, want := range map[string]int{"r-9": 404, "r-2": 409, "r-3": 422} {
		if resp, answer := send(t, h, http.MethodPost, reportsPath, strings.Replace(anIssue, "r-7qx3-000017", about, 1), nil); resp.StatusCode != want || len(h.fit.acts) > 0 {
			t.Errorf("%s: %d %s, not %d", about, resp.StatusCode, answer, want)
		}
	}
	resp, answer := send(t, h, http.MethodPost, reportsPath, `{"of": "run", "about": "r-1", "form": "json", "replaces": "rep-1", "why": "a weighing was excluded", "by": "ada"}`, nil)
	var v ReportView
	if err := json.Unmarshal([]byte(answer), &v); err != nil || resp.StatusCode != 200 || v.Report != aReport || len(h.fit.acts) != 1 {
		t.Fatalf("%d %s %v", resp.StatusCode, answer, err)
	}
	if did := h.fit.acts[0].([]any); did[0].(ReportOrder).Why != "a weighing was excluded" || did[0].(ReportOrder).To != nil || did[0].(ReportOrder).Form != record.ReportJSON || did[1].(record.Actor).ID != "ada" {
		t.Errorf("%+v", did)
	}
}
