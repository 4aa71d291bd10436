package console

import (
	"context"
	"errors"
	"io/fs"
	"net/http"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humago"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

const (
	reportsPath         = apiPrefix + "reports"
	reportPreviewPath   = reportsPath + "/preview"
	reportTemplatesPath = reportsPath + "/templates"
	reportOnePath       = reportsPath + "/{report}"
	reportFilePath      = reportOnePath + "/file"
)

// ReportNumber names an issued report. It has a name that the API library may see.
type ReportNumber struct {
	Report string `path:"report" maxLength:"63" doc:"The report's number." example:"rep-7qx3-000004"`
}

type reportPreviewRequest struct {
	Of       string `query:"of" required:"true" enum:"run,day,sample,balance,trail,check" doc:"What it is a report of."`
	About    string `query:"about" required:"true" minLength:"1" maxLength:"300" doc:"As about of the order of a report." example:"r-7qx3-000017"`
	Template string `query:"template" maxLength:"63" doc:"Name of the template. Left out: the lab's first of the kind, or built-in."`
	Form     string `query:"form" enum:"pdf,json,laboratory" doc:"As form of the order of a report."`
}

type reportsQuery struct {
	Of     string `query:"of" enum:"run,day,sample,balance,trail,check" doc:"Only reports of this."`
	About  string `query:"about" maxLength:"300" doc:"Only reports about this, such as a run's id."`
	Before string `query:"before" maxLength:"63" doc:"The report that the page before ended with, as it said in next."`
	Limit  int    `query:"limit" doc:"How many at most." minimum:"1" maximum:"1000" default:"100"`
}

// ReportIssue is a ReportOrder with who issues it.
type ReportIssue struct {
	ReportOrder
	By string `json:"by,omitempty" maxLength:"128" doc:"Who issues it, by name. Needed with the host's token. A person or a program acts under its own name: left out, or that."`
}

type (
	reportIssueRequest struct{ Body ReportIssue }
	reportIssuedAnswer struct{ Body ReportView }
	reportsAnswer      struct{ Body ReportList }
	templatesAnswer    struct {
		Body struct {
			Templates []ReportTemplates `json:"templates" nullable:"false"`
		}
	}
)

// reportCaution stands in the descriptions of routes that give reports.
const reportCaution = "A report shows what was recorded. Local rules and qualified people decide what it may be used for."

func (s *Server) paperRoutes(api huma.API) {
	if s.deps.Reports == nil {
		return
	}
	file := map[string]*huma.Response{"200": {Description: "The report.", Content: map[string]*huma.MediaType{"application/pdf": {Schema: &huma.Schema{Type: huma.TypeString, Format: "binary"}},
		"application/json": {Schema: &huma.Schema{Type: huma.TypeObject, Description: "form json: as run-report.schema.json says. form laboratory: a document of the Allotrope Simple Model."}}}}}
	looks := []int{http.StatusNotFound, http.StatusConflict, http.StatusUnprocessableEntity, http.StatusServiceUnavailable}
	op := func(id, path, summary, more string, answers map[string]*huma.Response) huma.Operation {
		return needs(huma.Operation{OperationID: id, Method: http.MethodGet, Path: path, Tags: []string{"reports"}, Summary: summary, Description: more + reportCaution, Errors: looks, Responses: answers}, rights.ReadJournal)
	}
	huma.Register(api, op("list-reports", reportsPath, "The reports that were issued, newest first", "", nil), s.listReports)
	huma.Register(api, op("list-report-templates", reportTemplatesPath, "The templates of reports that there are", "", nil), s.listTemplates)
	huma.Register(api, op("preview-report", reportPreviewPath, "A report as it would be issued now, as a file",
		"It says that it is not issued, a PDF on every page. The same entries give the same bytes. 409: there is nothing to report, or too much; or the form cannot hold it. ", file), s.previewReport)
	huma.Register(api, op("get-report", reportOnePath, "One report that was issued", "", nil), s.getReport)
	huma.Register(api, op("get-report-file", reportFilePath, "A report as it was issued, as a file", "Its SHA-256 is sum of the report, its form form. ", file), s.reportFile)
	huma.Register(api, needsOne(huma.Operation{OperationID: "issue-report", Method: http.MethodPost, Path: reportsPath, Tags: []string{"reports"}, Summary: "Issue a report",
		Description: "It is numbered, kept beside the journal, and delivered to the destinations whose entries name report-issued. Answered once that is in the journal. " +
			"409: one of the same is out, and this one does not say that it replaces it; or there is nothing to report. Whoever reviews runs may; whoever looks after balances, for reports of a balance or a check. " + reportCaution,
		Errors: refusals(http.StatusNotFound, http.StatusConflict, http.StatusServiceUnavailable)}, rights.ReviewRuns, rights.Fitness), s.issueReport)
}

func (s *Server) listReports(_ context.Context, in *reportsQuery) (*reportsAnswer, error) {
	return &reportsAnswer{s.deps.Reports.IssuedReports(ReportsAsked{Of: in.Of, About: in.About, Before: in.Before, Limit: min(max(in.Limit, 1), 1000)})}, nil
}

func (s *Server) listTemplates(context.Context, *struct{}) (*templatesAnswer, error) {
	a := &templatesAnswer{}
	a.Body.Templates = s.deps.Reports.ReportTemplates()
	return a, nil
}

func (s *Server) previewReport(ctx context.Context, in *reportPreviewRequest) (*huma.StreamResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, longestList)
	defer cancel()
	b, err := s.deps.Reports.PreviewReport(ctx, ReportAsked{Of: in.Of, About: in.About, Template: in.Template, Form: in.Form})
	if err != nil {
		return nil, reportNotDone(err)
	}
	return reportAnswer("preview"+record.ReportExt(in.Form), in.Form, b), nil
}

// reportAnswer gives a report to be saved under a name.
func reportAnswer(name, form string, b []byte) *huma.StreamResponse {
	return &huma.StreamResponse{Body: func(ctx huma.Context) {
		_, w := humago.Unwrap(ctx)
		w.Header().Set("Content-Type", record.ReportType(form))
		w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
		w.Header().Set("Cache-Control", "no-store")
		w.Write(b)
	}}
}

func (s *Server) getReport(_ context.Context, in *ReportNumber) (*reportIssuedAnswer, error) {
	v, err := s.deps.Reports.IssuedReport(in.Report)
	if err != nil {
		return nil, reportNotDone(err)
	}
	return &reportIssuedAnswer{v}, nil
}

func (s *Server) reportFile(ctx context.Context, in *ReportNumber) (*huma.StreamResponse, error) {
	v, err := s.deps.Reports.IssuedReport(in.Report)
	if err != nil {
		return nil, reportNotDone(err)
	}
	b, err := s.deps.Reports.ReportFile(ctx, in.Report)
	if err != nil {
		return nil, reportNotDone(err)
	}
	return reportAnswer(v.FileName(), v.Form, b), nil
}

func (s *Server) issueReport(ctx context.Context, in *reportIssueRequest) (*reportIssuedAnswer, error) {
	if in.Body.Of != "balance" && in.Body.Of != "check" { // whoever only looks after balances reports of them
		if err := mayNow(ctx, rights.ReviewRuns, ""); err != nil {
			return nil, err
		}
	}
	actor, why, err := s.deciding(ctx, in.Body.By, in.Body.Why, false)
	if err != nil {
		return nil, err
	}
	o := in.Body.ReportOrder
	o.Why = why
	ctx, cancel := context.WithTimeout(ctx, checkPatience)
	defer cancel()
	r, err := s.deps.Reports.IssueReport(ctx, o, actor)
	if err != nil {
		return nil, reportNotDone(err)
	}
	return &reportIssuedAnswer{ReportView{ReportIssued: r}}, nil
}

// reportNotDone answers with why there is no report.
func reportNotDone(err error) error {
	var refused *record.RequestRefused
	var notDone *record.NotDone
	switch {
	case errors.As(err, &refused):
		return notTaken(refused.Why)
	case errors.As(err, &notDone):
		return &problemDocument{"about:blank", "There is no such report", http.StatusConflict, sentence(notDone.Why)}
	case errors.Is(err, record.ErrNoRun), errors.Is(err, record.ErrNoBalance), errors.Is(err, record.ErrNoCheck), errors.Is(err, ErrNoReport):
		return &problemDocument{"about:blank", "That is not known here", http.StatusNotFound, sentence(err.Error())}
	case errors.Is(err, fs.ErrNotExist):
		return &problemDocument{"about:blank", "The file is gone", http.StatusNotFound, "The file of the report is not beside the journal any more: put it back from a backup. What it was is in the journal."}
	}
	return notNow(sentence(err.Error()))
}
