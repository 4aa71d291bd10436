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

// checkData is the guided check at a bench: before it, while it runs, and what it found.
type checkData struct {
	*shown
	Fitness fitLook
	May     bool
	// Stranger says of whoever is signed in and may not check the balance that it is so.
	Stranger string
	Prints   bool   // its print key has to be pressed
	Refers   string // address of the API's balance
	// MaySettings: whoever looks may see the settings.
	MaySettings bool
	// Before it.
	Choices []checkChoice
	Why     []choice
	WhyNow  string
	Weights []weightChoice
	// While it runs.
	Now   *console.CheckView
	Phase []phase
	// After it.
	Ended    *record.CheckEnded
	Waits    string // the number of a check that has ended and cannot be read yet
	Told     string
	Becomes  string
	Since    record.UTC
	Reason   string
	Doubt    bool // it failed, and what was weighed before it can be looked at
	MayJudge bool
}

// checkChoice is a check that can be begun.
type checkChoice struct {
	console.CheckDefinition
	Due   *console.CheckDue
	Look  fitLook
	First bool // chosen unless somebody chooses another
}

// weightChoice is a reference weight that may be at hand.
type weightChoice struct {
	refWeight
	Last bool // it was used by the last check of this balance
}

// phase is one of the four things that become of a load.
type phase struct {
	Name, Shape, Word string
	Here              bool
}

// showCheck is the guided check of one balance.
func (s *Screens) showCheck(w http.ResponseWriter, r *http.Request) {
	v, ok := s.fitnessAt(w, r)
	if !ok {
		return
	}
	b, ok := s.balanceAt(w, r)
	if !ok {
		return
	}
	who := s.who(r)
	d := &checkData{shown: s.shown(who, b, s.conditions(), time.Now()), Fitness: lookOf(v.Fitness.State), May: who.CanAt(string(rights.Check), b.ID), Prints: b.Rule == "printed" && (b.Asking == nil || b.Asking.EveryS == 0),
		Refers: "/api/v1/balances/" + url.PathEscape(b.ID), Since: v.Since, Reason: v.Reason, Becomes: unfitWords[v.Unfit]}
	d.MaySettings = who.Can(string(rights.ReadSettings))
	if !d.May && who.SignedIn() {
		d.Stranger = who.Name() + " is signed in here, and has no right to check this balance."
	}
	if now, runs := s.deps.Fitness.CheckOn(b.ID); runs {
		d.Now, d.Phase = &now, phasesOf(now.Waiting)
	} else if number := r.URL.Query().Get("ended"); number != "" {
		s.checkFound(r, d, number)
	} else {
		s.checkChoices(d, v)
	}
	s.show(w, r, page{Template: "check.html", Title: "Check · " + b.ID, Bare: true, Scripts: []string{"check.js"}, Data: d})
}

// checkFound reads what a check that has ended found.
func (s *Screens) checkFound(r *http.Request, d *checkData, number string) {
	report, err := s.deps.Fitness.CheckEnded(r.Context(), d.ID, d.ID+"/"+number)
	switch {
	case err == nil && report.Ended != nil:
		who := s.who(r)
		d.Ended, d.Doubt, d.MayJudge = report.Ended, report.Ended.Outcome == record.CheckFailed && who.Can(string(rights.ReadJournal)), who.CanAt(string(rights.JudgeFailed), d.ID)
	case err != nil:
		d.Told = err.Error()
	default:
		d.Waits = number
	}
}

// checkChoices are what a check can be begun with: what is due first, and of the weights those first that the last check used.
func (s *Screens) checkChoices(d *checkData, v console.FitnessView) {
	for _, def := range s.deps.Fitness.CheckDefinitions() {
		c := checkChoice{CheckDefinition: def}
		if i := slices.IndexFunc(v.Schedule, func(one console.CheckDue) bool { return one.Check == def.Name }); i >= 0 {
			c.Due, c.Look = &v.Schedule[i], scheduleLook(v.Checks, v.Schedule[i])
		}
		d.Choices = append(d.Choices, c)
	}
	slices.SortStableFunc(d.Choices, func(a, b checkChoice) int {
		return cmp.Or(cmp.Compare(a.urgency(), b.urgency()), cmp.Compare(a.dueAt(), b.dueAt()))
	})
	d.Why, d.WhyNow = whyWords, record.CheckAsked
	if len(d.Choices) > 0 {
		d.Choices[0].First = true
		if u := d.Choices[0].urgency(); u < 2 {
			d.WhyNow = record.CheckScheduled
		}
	}
	for _, one := range s.deps.Fitness.ReferenceWeights() {
		if !one.Withdrawn {
			d.Weights = append(d.Weights, weightChoice{refWeightOf(one, time.Now()), lastUsed(v.Checks, one.ID) && !one.Refused})
		}
	}
	slices.SortStableFunc(d.Weights, func(a, b weightChoice) int {
		return cmp.Or(boolFirst(a.Last, b.Last), byUse(a.refWeight, b.refWeight))
	})
}

// lastUsed says whether the newest check used a weight.
func lastUsed(newestFirst []*record.CheckEnded, weight string) bool {
	return len(newestFirst) > 0 && slices.ContainsFunc(newestFirst[0].Weights, func(u record.WeightUsed) bool { return u.ID == weight })
}

// urgency puts what is overdue before what is due, what is scheduled before what is not.
func (c *checkChoice) urgency() int {
	switch {
	case c.Due == nil:
		return 3
	case c.Due.State == record.CheckOverdue, c.Look.Class == "bad":
		return 0
	case c.Due.State == record.CheckDue:
		return 1
	}
	return 2
}

func (c *checkChoice) dueAt() int64 {
	if c.Due == nil {
		return 0
	}
	return c.Due.Due.Time().Unix()
}

// All says what the check is made of: "repeatability, 10 times, 100 g".
func (c checkChoice) All() string {
	parts := []string{c.Measures}
	if c.Times > 0 {
		parts = append(parts, count(c.Times)+" times")
	}
	parts = append(parts, strings.Join(c.Loads, ", "))
	if len(c.Positions) > 0 {
		parts = append(parts, "centre, "+strings.Join(c.Positions, ", "))
	}
	return strings.Join(parts, " · ")
}

// phasesOf are the phases of a load, and where a check is that waits for something. assets/check.js says the same of what comes later.
func phasesOf(waiting string) []phase {
	all := []phase{{"place", "put-on", "Place", false}, {"wait", "moving", "Wait", false}, {"settled", "at-rest", "Settled", false}, {"taken", "well", "Taken", false}}
	switch waiting {
	case "zero":
		all[0].Shape, all[0].Word, all[0].Here = "empty-pan", "Zero", true
	case "lift":
		all[0].Shape, all[0].Word, all[0].Here = "take-off", "Lift off", true
	case "place":
		all[0].Here = true
	case "wait":
		all[1].Here = true
	}
	return all
}

// Asks says whether the check waits for an answer, to whichever question.
func (d *checkData) Asks() bool { return d.Now.Waiting == "answer" || d.Now.Waiting == "confirm" }

// WhyWords are why the check that has ended was begun, as it was chosen.
func (d *checkData) WhyWords() string {
	for _, w := range whyWords {
		if w.Value == d.Ended.Why {
			return w.Words
		}
	}
	return d.Ended.Why
}

// Verdict is how an outcome or a verdict is shown.
func (d *checkData) Verdict(word string) fitLook { return verdictLook(word) }

// Number is the part of a check's id that addresses have.
func (d *checkData) Number(id string) string { return checkNumber(id) }

// reasonsAgain and reasonsEnd are reasons at hand, for whoever wears gloves.
var (
	reasonsAgain = []string{"The weight was touched or stood wrong.", "Draught or shaking disturbed it.", "Another weight was on the pan."}
	reasonsEnd   = []string{"The balance is needed for a sample.", "A weight is missing or damaged.", "The balance does not come to rest."}
)

// ReasonsAgain are reasons at hand to do a step again.
func (d *checkData) ReasonsAgain() []string { return reasonsAgain }

// ReasonsEnd are reasons at hand to end a check.
func (d *checkData) ReasonsEnd() []string { return reasonsEnd }
