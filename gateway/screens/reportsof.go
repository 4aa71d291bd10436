package screens

import (
	"net/http"
	"net/url"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// reportsOf are the reports about one thing that were issued, and what is asked for to issue another.
type reportsOf struct {
	Of, About string
	List      []record.ReportIssued // newest first
	Last      string                // the one whose place another takes; ""
	Preview   string                // address
	May       bool                  // whoever looks may issue one
}

// mostReports is how many reports of one thing a page lists.
const mostReports = 20

// reportsAbout gives the reports about something; nil: there are no reports here.
func (s *Screens) reportsAbout(r *http.Request, of, about string) *reportsOf {
	if s.deps.Reports == nil {
		return nil
	}
	p := &reportsOf{Of: of, About: about, Preview: "/api/v1/reports/preview?" + url.Values{"of": {of}, "about": {about}}.Encode(), May: s.who(r).Can(string(rights.Export))}
	p.List = s.deps.Reports.IssuedReports(console.ReportsAsked{Of: of, About: about, Limit: mostReports}).Reports
	if len(p.List) > 0 {
		p.Last = p.List[0].Report
	}
	return p
}
