package screens

import (
	"errors"
	"net/http"
	"net/url"
	"slices"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/rights"
)

func (s *Screens) reportPages() []row {
	return []row{
		{"/balances/{id}/checks/{check}", rights.ReadJournal, s.checkReport},
		{"/balances/{id}/file", rights.ReadJournal, s.balanceFile},
		{"/balances/{id}/status-label", rights.See, s.statusLabel},
	}
}

// reportData is a report on a screen: the same that goes on paper.
type reportData struct {
	*report.Document
	Look    fitLook
	PDF     string // address of the same as a file; ""
	Entries string // where its entries are; ""
	Balance string
	Reports *reportsOf // nil: there are none here
}

// checkReport shows one check that has ended.
func (s *Screens) checkReport(w http.ResponseWriter, r *http.Request) {
	id, check := r.PathValue("id"), r.PathValue("check")
	if s.deps.Fitness == nil || !console.IsCheckNumber(check) {
		s.sorry(w, r, http.StatusNotFound, "There is no such check", "The address of a check ends with its number, such as c000017.")
		return
	}
	c, err := s.deps.ReportOfCheck(r.Context(), id, id+"/"+check)
	switch {
	case errors.Is(err, record.ErrNoBalance):
		s.sorry(w, r, http.StatusNotFound, "There is no such balance", "No balance of that id is configured.")
		return
	case errors.Is(err, record.ErrNoCheck):
		s.sorry(w, r, http.StatusNotFound, "There is no such check", "No check of that number of this balance has ended. One that runs is at the bench.")
		return
	case err != nil:
		s.sorry(w, r, http.StatusServiceUnavailable, "The check cannot be shown now", err.Error())
		return
	}
	d := &reportData{Document: c.Document(), Look: verdictLook(c.Ended.Outcome), Balance: id,
		PDF:     "/api/v1/balances/" + url.PathEscape(id) + "/checks/" + check + "/report.pdf",
		Entries: "/happened?" + url.Values{"kind": {"all"}, "balance": {id}}.Encode()}
	d.Reports = s.reportsAbout(r, report.OfCheck, c.Ended.Check.ID, "this check")
	s.show(w, r, page{Template: "report.html", Title: d.Title, Place: "/", Data: d})
}

// balanceFile shows what the lab keeps of a balance.
func (s *Screens) balanceFile(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	now, clock := s.deps.Now()
	if s.deps.Fitness != nil {
		if f, ok := s.deps.FileOfBalance(id, now.Format(time.DateOnly)); ok {
			f.Clock = clock
			d := &reportData{Document: f.Document(now), Balance: id, Reports: s.reportsAbout(r, report.OfBalance, id, "this balance")}
			s.show(w, r, page{Template: "report.html", Title: d.Title, Place: "/", Data: d})
			return
		}
	}
	s.sorry(w, r, http.StatusNotFound, "There is no such balance", "No balance of that id is configured.")
}

// labelData is the status label of a balance.
type labelData struct {
	Balance     record.Balance
	Look        fitLook
	Last        *record.CheckEnded
	LastLook    fitLook
	Next        *console.CheckDue
	Minimum     string
	NoMinimum   string
	Certificate console.CertificateState
	Code        barcode
	Day         string
	Unchecked   string // what is to be said of the clock that the day is from; ""
}

// statusLabel is a label that says how a balance was on the day on which it was printed.
func (s *Screens) statusLabel(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	var v console.FitnessView
	known := false
	if s.deps.Fitness != nil {
		v, known = s.deps.Fitness.FitnessOf(id)
	}
	if !known {
		s.sorry(w, r, http.StatusNotFound, "There is no such balance", "No balance of that id is configured.")
		return
	}
	code, err := bars(record.LabelCode(id))
	if err != nil {
		s.sorry(w, r, http.StatusInternalServerError, "The label cannot be made", err.Error())
		return
	}
	now, clock := s.deps.Now()
	day := now.Format(time.DateOnly)
	d := &labelData{Balance: v.Balance, Look: lookOf(v.Fitness.State), NoMinimum: v.NoMinimum, Code: code, Day: day}
	if f, ok := s.deps.FileOfBalance(id, day); ok {
		d.Certificate = f.Certificate
	}
	if clock != record.ClockChecked {
		d.Unchecked = "clock not checked"
	}
	if v.Minimum != nil {
		d.Minimum = string(v.Minimum.Mass)
	}
	// A check that ended without a verdict says nothing of the balance.
	if i := slices.IndexFunc(v.Checks, func(c *record.CheckEnded) bool { return c.Outcome != record.CheckAborted }); i >= 0 {
		d.Last, d.LastLook = v.Checks[i], verdictLook(v.Checks[i].Outcome)
	}
	for i := range v.Schedule {
		if d.Next == nil || v.Schedule[i].Due.Time().Before(d.Next.Due.Time()) {
			d.Next = &v.Schedule[i]
		}
	}
	s.show(w, r, page{Template: "status-label.html", Title: "Status label of " + id, Place: "/", Data: d})
}
