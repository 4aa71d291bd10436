package console

import (
	"context"
	"errors"

	"weighpost/gateway/record"
)

// Reports makes reports, issues them, and knows those that were issued.
type Reports interface {
	// PreviewReport gives a report as it would be issued now, marked as not issued, in a form. The error is a *record.RequestRefused where it is
	// asked for in a wrong way, a *record.NotDone, record.ErrNoRun, ErrNoBalance or ErrNoCheck, or says why it does not work now.
	PreviewReport(ctx context.Context, q ReportAsked) ([]byte, error)
	// IssueReport returns once the report is kept and its entry is in the journal. Errors are as of PreviewReport.
	IssueReport(ctx context.Context, o ReportOrder, by record.Actor) (record.ReportIssued, error)
	// IssuedReports lists reports, newest first.
	IssuedReports(q ReportsAsked) ReportList
	// IssuedReport gives one and the number of the one that took its place. The error is ErrNoReport.
	IssuedReport(number string) (ReportView, error)
	// ReportFile gives the file as it was issued. The error is ErrNoReport, fs.ErrNotExist, or says what is wrong with it.
	ReportFile(ctx context.Context, number string) ([]byte, error)
	// ReportTemplates lists the templates that there are.
	ReportTemplates() []ReportTemplates
}

// ErrNoReport says that no report of a number was issued.
var ErrNoReport = errors.New("no report of that number was issued")

// ReportAsked says of what a report is wanted.
type ReportAsked struct {
	Of       string `json:"of" enum:"run,day,sample,balance,trail,check" doc:"What it is a report of."`
	About    string `json:"about" minLength:"1" maxLength:"300" doc:"run, sample, balance: its id. check: its whole id, b-12/c000017. day: a date, and behind a slash a balance where it is of one alone: 2026-11-30/b-12. trail: two dates with a slash between, both included, or two sequences with a dash: 120-240." example:"r-7qx3-000017"`
	Template string `json:"template,omitempty" maxLength:"63" doc:"Name of the template. Left out: the lab's first of the kind, or built-in."`
	Form     string `json:"form,omitempty" enum:"pdf,json,laboratory" doc:"pdf; of a run also json, all that is known of it by run-report.schema.json, or laboratory, a document of the Allotrope Simple Model. Left out: pdf."`
}

// ReportOrder asks for a report to be issued.
type ReportOrder struct {
	ReportAsked
	Replaces string   `json:"replaces,omitempty" maxLength:"63" doc:"Number of the report that it takes the place of: needed where one of the same is out." example:"rep-7qx3-000003"`
	Why      string   `json:"why,omitempty" maxLength:"500" doc:"Why that is replaced."`
	To       []string `json:"to,omitempty" maxItems:"100" doc:"Ids of the destinations that get it, of those whose entries name report-issued. Left out: all of these."`
}

// ReportsAsked says which issued reports are wanted.
type ReportsAsked struct {
	Of, About, Before string
	Limit             int
}

// ReportList is a page of issued reports.
type ReportList struct {
	Reports []record.ReportIssued `json:"reports" nullable:"false"`
	Next    string                `json:"next,omitempty" doc:"What before has to say for the next page; left out on the last."`
}

// ReportView is one issued report.
type ReportView struct {
	record.ReportIssued
	Instead string `json:"replaced_by,omitempty" doc:"The number of the report that took its place."`
}

// ReportTemplates are the templates for reports of one thing.
type ReportTemplates struct {
	Of    string   `json:"of"`
	Names []string `json:"names" nullable:"false" doc:"The first is used where none is named."`
}
