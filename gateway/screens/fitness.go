package screens

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) fitnessPages() []row {
	return []row{
		{"/balances/{id}/fitness", rights.See, s.showFitness},
		{"/balances/{id}/failures/{check}", rights.ReadJournal, s.showInDoubt},
		{"/bench/{id}/check", rights.See, s.showCheck},
		{"/weights", rights.See, s.showWeights},
		{"/weights/{id}", rights.See, s.showWeight},
		{"/weights/{id}/certificate", rights.ReadJournal, s.weightCertificate},
		{"/labels/weights", rights.See, s.weightLabels},
	}
}

// fitLook is how a state of a balance is shown: word, shape, class and a sentence.
type fitLook struct{ Word, Shape, Class, Says string }

// fitLooks are those of the states that record has.
var fitLooks = map[string]fitLook{
	record.InService:      {"in service", "well", "good", "Its checks have passed, and none is due."},
	record.CheckDue:       {"check due", "notice", "doubt", "It may still be used. Check it soon."},
	record.CheckOverdue:   {"check overdue", "warning", "doubt", "Check it before it is used."},
	record.OutOfService:   {"OUT OF SERVICE", "error", "bad", "Do not weigh on it. The balance itself cannot be kept from showing a weight."},
	record.InCheck:        {"in check", "moving", "said", "What it shows now belongs to a check."},
	record.FitnessUnknown: {"not known", "not-said", "said", "No check of it has ended yet."},
}

func lookOf(state string) fitLook {
	if l, ok := fitLooks[state]; ok {
		return l
	}
	return fitLooks[record.FitnessUnknown]
}

// fitBanner is what the pages of a balance say of its fitness, where there is anything to say.
type fitBanner struct {
	fitLook
	State, ID string
	Due       *time.Time
	Check     bool // whoever looks may check it
	Ways      bool // the page has links
}

// Fit is the banner of a balance for a page that nobody acts on; nil: there is nothing to say.
func (b *shown) Fit() *fitBanner {
	if b.Fitness == nil || b.Fitness.State == record.InService || b.Fitness.State == record.FitnessUnknown {
		return nil
	}
	f := &fitBanner{fitLook: lookOf(b.Fitness.State), State: b.Fitness.State, ID: b.ID}
	if due, err := time.Parse(time.RFC3339, b.Fitness.Due); err == nil {
		f.Due = &due
	}
	return f
}

// FitState changes when the banner has to be shown anew. assets/now.js and bench.js make the same of the live state.
func (b *shown) FitState() string {
	if b.Fitness == nil {
		return ""
	}
	return b.Fitness.State + " " + b.Fitness.Due
}

// banner is the same for somebody who may be led on from it.
func (b *shown) banner(w who) *fitBanner {
	f := b.Fit()
	if f != nil {
		f.Ways, f.Check = true, w.CanAt(string(rights.Check), b.ID)
	}
	return f
}

// unfitWords say what becomes of a weighing while its balance is out of service.
var unfitWords = map[string]string{
	"mark":   "recorded, marked as weighed on a balance that is out of service, and delivered.",
	"hold":   "recorded and marked, and held back from every destination until somebody releases it.",
	"refuse": "recorded and marked, held back from every destination until somebody releases it, and shown as refused at the bench.",
}

// whyWords say in words of a page why a check is begun, in the order in which they are offered.
var whyWords = []choice{
	{record.CheckScheduled, "as scheduled"}, {record.CheckAsked, "because somebody wants to know"}, {record.CheckAsFound, "as found: before an adjustment or a repair"},
	{record.CheckAsLeft, "as left: after it"}, {record.CheckMoved, "after the balance was moved"},
}

// acts are what is done to a balance beside weighing and checking.
var upkeepActs = []choice{{record.Adjusted, "adjustment"}, {record.Moved, "move"}, {record.Repaired, "repair"}, {record.Calibrated, "calibration with a certificate"}, {record.Serviced, "maintenance"}}

// verdictLook is how an outcome or a verdict is shown.
func verdictLook(word string) fitLook {
	switch word {
	case record.CheckPassed:
		return fitLook{Word: "passed", Shape: "well", Class: "good"}
	case record.CheckWarned:
		return fitLook{Word: "passed with a warning", Shape: "warning", Class: "doubt"}
	case record.CheckFailed:
		return fitLook{Word: "FAILED", Shape: "error", Class: "bad"}
	case record.CheckAborted:
		return fitLook{Word: "ended without a verdict", Shape: "not-said", Class: "said"}
	case record.EffectNone:
		return fitLook{Word: "no effect", Shape: "well", Class: "good"}
	case record.EffectAffected:
		return fitLook{Word: "affected", Shape: "warning", Class: "doubt"}
	}
	return fitLook{Word: "not judged", Shape: "not-said", Class: "said"}
}

// checkNumber is the part of the id of a check behind its balance, which is how addresses have it: c000017.
func checkNumber(id string) string { return id[strings.LastIndexByte(id, '/')+1:] }

// fitnessData is what the page on the fitness of a balance shows.
type fitnessData struct {
	console.FitnessView
	Look      fitLook
	Becomes   string // what becomes of weighings while it is out of service
	Checks    []*record.CheckEnded
	Earlier   bool // there are more checks than are listed
	Upkeep    []*record.Upkeep
	Failures  []console.FailureView // those that wait first
	Acts      []choice
	May       bool // take it out of service, put it back, note upkeep
	MayCheck  bool
	MayJudge  bool
	CanReturn bool
	Refers    string // address of the API's balance
}

// mostChecksShown is how many of its checks the page of a balance lists before the rest is folded away.
const mostChecksShown = 50

// fitnessAt is what is known of the fitness of the balance that a page is about. It answers where there is none.
func (s *Screens) fitnessAt(w http.ResponseWriter, r *http.Request) (v console.FitnessView, ok bool) {
	b, ok := s.balanceAt(w, r)
	if !ok {
		return v, false
	}
	if s.deps.Fitness == nil {
		s.sorry(w, r, http.StatusNotFound, "Balances are not checked here", "This weighpost does not look after the fitness of balances.")
		return v, false
	}
	if v, ok = s.deps.Fitness.FitnessOf(b.ID); !ok {
		s.sorry(w, r, http.StatusNotFound, "There is no such balance", "Nothing is known of the fitness of "+b.ID+".")
	}
	return v, ok
}

// showFitness answers: may this balance be used, and why?
func (s *Screens) showFitness(w http.ResponseWriter, r *http.Request) {
	v, ok := s.fitnessAt(w, r)
	if !ok {
		return
	}
	who, id := s.who(r), v.Balance.ID
	d := &fitnessData{FitnessView: v, Look: lookOf(v.Fitness.State), Becomes: unfitWords[v.Unfit], Checks: v.Checks, Upkeep: v.Upkeep, Acts: upkeepActs,
		May: who.CanAt(string(rights.Fitness), id), MayCheck: who.CanAt(string(rights.Check), id), MayJudge: who.CanAt(string(rights.JudgeFailed), id),
		Refers: "/api/v1/balances/" + url.PathEscape(id)}
	if r.URL.Query().Get("checks") != everything && len(d.Checks) > mostChecksShown {
		d.Checks, d.Earlier = d.Checks[:mostChecksShown], true
	}
	d.Failures = slices.Clone(v.Failures)
	slices.SortStableFunc(d.Failures, func(a, b console.FailureView) int { return boolFirst(!a.Closed, !b.Closed) })
	d.CanReturn = d.May && v.Fitness.State == record.OutOfService
	s.show(w, r, page{Template: "fitness.html", Title: "Fitness of " + id, Place: "/", Scripts: []string{"fitness.js"}, Data: d})
}

// Number is the part of a check's id that addresses have.
func (d *fitnessData) Number(id string) string { return checkNumber(id) }

// Verdict is how an outcome is shown.
func (d *fitnessData) Verdict(word string) fitLook { return verdictLook(word) }

// DueLook is how it stands with a check of the schedule.
func (d *fitnessData) DueLook(c console.CheckDue) fitLook {
	return scheduleLook(d.FitnessView.Checks, c)
}

// scheduleLook is how it stands with a check: one that failed when it came to a verdict last is not shown as merely not due.
func scheduleLook(newestFirst []*record.CheckEnded, due console.CheckDue) fitLook {
	i := slices.IndexFunc(newestFirst, func(c *record.CheckEnded) bool {
		return c.Check.Definition == due.Check && c.Outcome != record.CheckAborted
	})
	if i >= 0 && newestFirst[i].Outcome == record.CheckFailed {
		look := fitLook{Word: "failed last", Shape: "error", Class: "bad"}
		if due.State == record.CheckDue || due.State == record.CheckOverdue {
			look.Word += ", " + due.State
		}
		return look
	}
	return dueLook(due.State)
}

// dueLook is how it stands with a check of a schedule: nothing of the balance itself.
func dueLook(state string) fitLook {
	switch state {
	case record.CheckDue:
		return fitLook{Word: "due", Shape: "notice", Class: "doubt"}
	case record.CheckOverdue:
		return fitLook{Word: "overdue", Shape: "warning", Class: "doubt"}
	}
	return fitLook{Word: "not due yet", Shape: "well", Class: "good"}
}

// Why puts into words why a check was begun.
func (d *fitnessData) Why(why string) string { return whyWord(why) }

func whyWord(why string) string { return cmp.Or(why, record.CheckAsked) }

// Found are the checks that can stand for as found or as left: those with a verdict.
func (d *fitnessData) Found() (list []*record.CheckEnded) {
	for _, c := range d.FitnessView.Checks {
		if c.Outcome != record.CheckAborted && len(list) < 40 {
			list = append(list, c)
		}
	}
	return list
}

// Out says whether the balance is out of service.
func (d *fitnessData) Out() bool { return d.Fitness.State == record.OutOfService }

// Whole says in one line what somebody who looks at the balance wants to know of a check: its results.
func (d *fitnessData) Whole(c *record.CheckEnded) string {
	var all []string
	for _, one := range c.Results {
		text := one.Name + " " + one.Value
		if one.Limit != "" {
			text += " (limit " + one.Limit + ")"
		}
		all = append(all, text)
	}
	if len(all) > 3 {
		all = append(all[:3], "…")
	}
	if c.Outcome == record.CheckAborted {
		return c.Reason
	}
	return strings.Join(all, "; ")
}
