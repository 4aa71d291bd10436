package screens

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/rights"
)

// reportsOf are the reports about one thing that were issued, and what is asked for to issue another.
type reportsOf struct {
	Of, About string
	Words     string                // what they are about
	Tells     string                // which of it a report tells of, where the page has less or more; ""
	List      []record.ReportIssued // newest first
	Last      string                // the one whose place another takes; ""
	Preview   string                // address
	Bundle    string                // address of all of it as one file; "": there is none, or whoever looks may not take it
	May       bool                  // whoever looks may issue one
	Programs  []reportForm          // those that programs read
}

// reportForm is one form in which a report can be issued.
type reportForm struct {
	Form, Words string
	Preview     string // address
	Last        string // the one whose place another takes; ""
}

// formWords say in which form a report is; a PDF needs no saying.
var formWords = map[string]string{record.ReportJSON: "as JSON", record.ReportLaboratory: "as a document of the Allotrope Simple Model"}

// mostReports is how many reports of one thing a page lists.
const mostReports = 20

// reportsAbout gives the reports about something; nil: there are no reports here.
func (s *Screens) reportsAbout(r *http.Request, of, about, words string) *reportsOf {
	who := s.who(r)
	if s.deps.Reports == nil || !who.Can(string(rights.ReadJournal)) {
		return nil
	}
	p := &reportsOf{Of: of, About: about, Words: words, Preview: "/api/v1/reports/preview?" + url.Values{"of": {of}, "about": {about}}.Encode(), May: who.Can(string(rights.ReviewRuns))}
	if of == report.OfBalance || of == report.OfCheck { // whoever looks after balances issues reports of those
		p.May = p.May || who.Can(string(rights.Fitness))
	}
	p.List = s.deps.Reports.IssuedReports(console.ReportsAsked{Of: of, About: about, Limit: mostReports}).Reports
	p.Last = lastOf(p.List, "")
	if of != report.OfRun {
		return p
	}
	for _, form := range []string{record.ReportJSON, record.ReportLaboratory} {
		p.Programs = append(p.Programs, reportForm{Form: form, Words: formWords[form], Preview: p.Preview + "&form=" + form, Last: lastOf(p.List, form)})
	}
	return p
}

// lastOf is the number of the newest report of a form; "": there is none.
func lastOf(list []record.ReportIssued, form string) string {
	if i := slices.IndexFunc(list, func(one record.ReportIssued) bool { return one.Form == form }); i >= 0 {
		return list[i].Report
	}
	return ""
}

// FormIs says in which form one was issued, where it is no PDF.
func (reportsOf) FormIs(r record.ReportIssued) string { return formWords[r.Form] }

// bundled has all of it to be taken as one file, by whoever may.
func (p *reportsOf) bundled(s *Screens, r *http.Request, q url.Values) *reportsOf {
	if p != nil && s.deps.Bundles != nil && s.who(r).Can(string(rights.Export)) {
		p.Bundle = "/api/v1/bundle?" + q.Encode()
	}
	return p
}

// reportsOfWeighed are of the sample that a list of weighings is asked for, or else of its day: today, where it asks for none. A span of several days
// has the audit trail.
func (s *Screens) reportsOfWeighed(r *http.Request, l *list) *reportsOf {
	a := l.Asked
	if id := strings.TrimSpace(a.Get("sample")); id != "" {
		if len(l.Entries) == 0 && l.Begins && !a.narrowedBut("sample") { // nothing was weighed for it
			return nil
		}
		p := s.reportsAbout(r, report.OfSample, id, "sample "+id)
		return p.telling("It tells of all that was weighed for the sample, and of its runs, whatever else is asked for above.")
	}
	from, to := s.daysOf(a)
	if from.IsZero() || !from.Equal(to) {
		return nil
	}
	about, words := from.Format(time.DateOnly), "what was weighed on "+from.Format(time.DateOnly)
	if balance := strings.TrimSpace(a.Get("balance")); balance != "" {
		about, words = about+"/"+balance, words+" at "+balance
	}
	p := s.reportsAbout(r, report.OfDay, about, words).bundled(s, r, spanOfDays(from, to))
	return p.telling("It tells of the whole day, whatever else is asked for above.")
}

// reportsOfTrail are of the days that a part of the audit trail is asked for: today, where it asks for none.
func (s *Screens) reportsOfTrail(r *http.Request, a question) *reportsOf {
	from, to := s.daysOf(a)
	if from.IsZero() || to.Before(from) {
		return nil
	}
	days := from.Format(time.DateOnly)
	about, words := days+"/"+to.Format(time.DateOnly), "all that happened on "+days
	if !from.Equal(to) {
		words = "all that happened from " + days + " through " + to.Format(time.DateOnly)
	}
	p := s.reportsAbout(r, report.OfTrail, about, words).bundled(s, r, spanOfDays(from, to))
	return p.telling("It tells of every entry of these days, whatever else is asked for above.")
}

func (p *reportsOf) telling(what string) *reportsOf {
	if p != nil {
		p.Tells = what
	}
	return p
}

// daysOf are the first and the last day that a list is asked for, as its form means them: the last is today where only a first is named. Where no
// day is asked for, both are today; zero: they are no days that a report could be of.
func (s *Screens) daysOf(a question) (from, to time.Time) {
	now, _ := s.deps.Now()
	today := now.Format(time.DateOnly)
	first, last := strings.TrimSpace(a.Get("from")), strings.TrimSpace(a.Get("to"))
	if first == "" && last == "" {
		first = today
	}
	if last == "" {
		last = today
	}
	from, err := time.ParseInLocation(time.DateOnly, first, time.Local)
	if err != nil {
		return time.Time{}, to
	}
	if to, err = time.ParseInLocation(time.DateOnly, last, time.Local); err != nil {
		return time.Time{}, to
	}
	return from, to
}

// spanOfDays is a span of the journal as the API has it.
func spanOfDays(from, to time.Time) url.Values {
	return url.Values{"from": {from.UTC().Format(time.RFC3339)}, "to": {to.AddDate(0, 0, 1).UTC().Format(time.RFC3339)}}
}
