package screens

import (
	"context"
	"html"
	"net/url"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/rights"
)

// outTray has one report of whatever is asked for, but for days.
type outTray struct{ console.Reports }

func (outTray) IssuedReports(q console.ReportsAsked) console.ReportList {
	if q.Of == report.OfDay {
		return console.ReportList{}
	}
	return console.ReportList{Reports: []record.ReportIssued{{Report: "rep-7qx3-000002", Of: q.Of, About: q.About, Replaces: "rep-7qx3-000001", Why: "a <b>letter</b>", By: record.Actor{ID: "rhea", Name: "Rhea Sower"}}}}
}

// parcels can be made of anything.
type parcels struct{}

func (parcels) Bundle(context.Context, console.BundleAsked) (console.Download, error) {
	return console.Download{}, nil
}

// offeredReport is what a page has to offer.
type offeredReport struct {
	path, of, about, words, bundle string
	keeper                         bool // whoever looks after balances may issue it
}

// TestReportsAreOfferedWhereTheyAreLookedFor: on the pages of a day, a sample, the audit trail, a balance and a check there is the same part, with what
// it is of, as the API asks for it; and to issue one is offered to those who may.
func TestReportsAreOfferedWhereTheyAreLookedFor(t *testing.T) {
	s := &drawer{}
	s.weighing(t, "b-12", "12.3450", "LOT-1", 1)
	fit := reportLab()
	l := newLab(t, Deps{Source: twoBalances().get(), Entries: s, Evidence: s, Exports: s, Fitness: fit, Benches: benches{}, Reports: outTray{}, Bundles: parcels{}})
	today := time.Now().Format(time.DateOnly)
	day := url.Values{"from": {time.Date(2026, 11, 29, 0, 0, 0, 0, time.Local).UTC().Format(time.RFC3339)}, "to": {time.Date(2026, 11, 30, 0, 0, 0, 0, time.Local).UTC().Format(time.RFC3339)}}.Encode()
	for _, c := range []offeredReport{
		{"/weighed?sample=+LOT-1%2F7+&person=ada", report.OfSample, "LOT-1/7", "Report of sample LOT-1/7 (1 issued)", "", false},
		{"/weighed?from=2026-11-29&to=2026-11-29&person=ada", report.OfDay, "2026-11-29", "Report of what was weighed on 2026-11-29<", day, false},
		{"/weighed?from=2026-11-29&to=2026-11-29&balance=b-12", report.OfDay, "2026-11-29/b-12", "Report of what was weighed on 2026-11-29 at b-12<", day, false},
		{"/weighed", report.OfDay, today, "Report of what was weighed on " + today, "from=", false},
		{"/happened?from=2026-11-28&to=2026-11-29", report.OfTrail, "2026-11-28/2026-11-29", "Report of all that happened from 2026-11-28 through 2026-11-29 (1 issued)", "from=", false},
		{"/happened?from=2026-11-29&to=2026-11-29&kind=clock", report.OfTrail, "2026-11-29/2026-11-29", "Report of all that happened on 2026-11-29 (1 issued)", day, false},
		{"/happened?from=" + today, report.OfTrail, today + "/" + today, "Report of all that happened on " + today, "from=", false},
		{"/balances/b-12/file", report.OfBalance, "b-12", "Report of this balance (1 issued)", "", true},
		{"/balances/b-12/checks/c000003", report.OfCheck, "b-12/c000003", "Report of this check (1 issued)", "", true},
	} {
		for role, issues := range map[string]bool{rights.Operator: false, rights.Auditor: false, rights.Reviewer: true, rights.BalanceKeeper: c.keeper} {
			c.to(t, l, role, issues)
		}
	}
	for _, path := range []string{"/weighed?sample=none-such", "/weighed?from=2026-11-28&to=2026-11-29", "/weighed?from=yesterday&to=yesterday", "/happened?to=2026-11-29", "/happened?from=2026-11-30&to=2026-11-29"} {
		if body := l.fetch(t, path, as(rights.Reviewer)); strings.Contains(body, `id="reports"`) {
			t.Errorf("%s offers a report, and there is none of that", path)
		}
	}
}

// to holds the part of the page against what somebody of a role has to be offered.
func (c *offeredReport) to(t *testing.T, l *lab, role string, issues bool) {
	t.Helper()
	_, part, _ := strings.Cut(l.fetch(t, c.path, as(role)), `id="reports"`)
	preview := html.EscapeString("/api/v1/reports/preview?" + url.Values{"of": {c.of}, "about": {c.about}}.Encode())
	for _, want := range []string{c.words, `href="` + preview + `"`} {
		if !strings.Contains(part, want) {
			t.Errorf("%s as %s does not say %q", c.path, role, want)
		}
	}
	form := strings.Contains(part, `data-send="POST /api/v1/reports"`) && strings.Contains(part, `name="of" value="`+c.of+`"`) && strings.Contains(part, `name="about" value="`+c.about+`"`)
	if form != issues || strings.Contains(part, `id="issue-report"`) != issues {
		t.Errorf("%s as %s: to issue it is offered: %v", c.path, role, form)
	}
	if last := strings.Contains(part, `name="replaces" value="rep-7qx3-000002"`); last != (issues && c.of != report.OfDay) {
		t.Errorf("%s as %s: that it replaces another is %v", c.path, role, last)
	}
	taken := c.bundle != "" && as(role).May(rights.Export) == nil
	if bundle := strings.Contains(part, `href="/api/v1/bundle?`+html.EscapeString(c.bundle)); bundle != taken {
		t.Errorf("%s as %s: all of it as one file is offered: %v", c.path, role, bundle)
	}
	if strings.Contains(part, "<b>letter") {
		t.Errorf("%s as %s: a reason is markup", c.path, role)
	}
}
