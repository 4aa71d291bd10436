package screens

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// runData is one run at a bench: the one thing to do next, what was taken so far, and once it has ended what it found.
type runData struct {
	asked
	console.RunView
	At      *shown // the balance that it is at; nil: none
	Aim     *aim
	Rules   []console.Beginning // how scans begin at its balance
	Prints  bool                // its print key has to be pressed
	Moment  time.Time           // of this page, against which a countdown runs
	Session string              // who is signed in here, in short

	May      bool   // whoever looks may go on with it
	Mine     bool   // and performs it
	Stranger string // why whoever looks may do nothing here
	MayAllow bool
	MaySecond,
	MayRead bool
	Places []string // balances at which whoever looks may go on with it
	Recent []takenRow
	More   int        // attempts that are not listed on the screen
	Older  []takenRow // those of them that are listed on paper
}

// mostRecent is how many attempts the page at the bench lists on a screen, and mostPrinted how many on paper: the record has all of them.
const (
	mostRecent  = 12
	mostPrinted = 300
)

// takenRow is one attempt as pages list it.
type takenRow struct {
	console.RunStepView
	Look    fitLook
	Verdict *fitLook
}

// Name is what people call the step.
func (t *takenRow) Name() string {
	switch {
	case t.Label != "":
		return t.Label
	case t.Step != "":
		return spacedWords(t.Step)
	}
	return t.By.Shown()
}

// Limits are what rules held the value against, in words, what hurts first.
func (t *takenRow) Limits() []verdictLine { return verdictLines(t.RunStep) }

// Limit is all of them in one text.
func (t *takenRow) Limit() string {
	var parts []string
	for _, one := range t.Limits() {
		parts = append(parts, one.Words)
	}
	return strings.Join(parts, "; ")
}

// SecondName is the second person, if there was one.
func (t *takenRow) SecondName() string {
	if t.RunStep.Second == nil {
		return ""
	}
	return t.RunStep.Second.Shown()
}

func takenRowOf(v console.RunStepView) takenRow {
	row := takenRow{RunStepView: v, Look: becameLooks[v.Became]}
	if row.Look.Word == "" {
		row.Look = fitLook{Word: spacedWords(v.Became), Shape: "notice", Class: "said"}
	}
	if v.Became == record.StepTaken && !v.Counts {
		row.Look = replacedLook
	}
	if look, ok := verdictsLook(v.Verdicts); ok {
		row.Verdict = &look
	}
	return row
}

// runAsked is the run that a page is about. It answers where there is none.
func (s *Screens) runAsked(w http.ResponseWriter, r *http.Request) (v console.RunView, ok bool) {
	if s.deps.Runs == nil {
		s.sorry(w, r, http.StatusNotFound, "There are no runs here", "Procedures are not set up on this weighpost.")
		return v, false
	}
	id := r.PathValue("run")
	v, err := s.deps.Runs.Run(r.Context(), id)
	switch {
	case errors.Is(err, record.ErrNoRun):
		s.sorry(w, r, http.StatusNotFound, "There is no such run", "No run has the id "+id+": look for it among the runs.")
	case err != nil:
		s.sorry(w, r, http.StatusServiceUnavailable, "The run cannot be shown now", err.Error()+". Try again in a moment.")
	}
	return v, err == nil
}

// showRun is the guided page of one run.
func (s *Screens) showRun(w http.ResponseWriter, r *http.Request) {
	v, ok := s.runAsked(w, r)
	if !ok {
		return
	}
	d := s.runData(r, v)
	if s.parts(w, r, "run.html", d) {
		return
	}
	s.show(w, r, page{Template: "run.html", Title: "Run " + d.ID, Bare: true, Scripts: []string{"run.js"}, Data: d})
}

// runData says of a run what a page at the bench shows.
func (s *Screens) runData(r *http.Request, v console.RunView) *runData {
	who := s.who(r)
	d := &runData{asked: askedFor(r), RunView: v, Moment: time.Now(), Session: who.Session}
	d.MayRead = who.Can(string(rights.ReadJournal))
	d.MayAllow, d.MaySecond = who.Can(string(rights.AllowOutside)), who.Can(string(rights.SecondPerson)) && who.Actor.ID != v.By.ID
	d.May = who.Can(string(rights.Run))
	if v.Balance != "" {
		d.May = who.CanAt(string(rights.Run), v.Balance)
	}
	d.Mine = d.May && who.Actor.ID == v.By.ID
	if !d.May && who.SignedIn() {
		d.Stranger = who.Name() + " is signed in here, and has no right to go on with it."
	}
	for _, b := range s.deps.Source.Balances() {
		if who.CanAt(string(rights.Run), b.ID) {
			d.Places = append(d.Places, b.ID)
		}
		if b.ID == v.Balance {
			d.At = s.shown(who, b, s.conditions(), d.Moment)
			d.Prints = b.Rule == "printed" && (b.Asking == nil || b.Asking.EveryS == 0)
		}
	}
	if s.deps.Benches != nil && v.Balance != "" {
		d.Rules = s.deps.Benches.Beginnings(v.Balance)
	}
	d.Aim = aimNow(v.Next.Target, d.At)
	d.recent()
	return d
}

// aimNow says how what a balance shows now stands to a target.
func aimNow(t *console.RunTarget, b *shown) *aim {
	if b == nil || b.Live == nil || b.Weight.Old {
		return aimAt(t, nil)
	}
	return aimAt(t, b.Live.Value)
}

// recent are the attempts that were made last, the newest first.
func (d *runData) recent() {
	for i := range slices.Backward(d.Steps) {
		row := takenRowOf(d.Steps[i])
		switch {
		case len(d.Recent) < mostRecent:
			d.Recent = append(d.Recent, row)
		case len(d.Older) < mostPrinted:
			d.Older = append(d.Older, row)
			d.More++
		default:
			d.More += i + 1
			return
		}
	}
}

// Print changes when the page has to be shown anew.
func (d *runData) Print() string {
	n := d.Next
	return fmt.Sprint(d.Seq, " ", d.State, " ", n.Step, " ", n.Pass, " ", n.Waiting, " ", d.Balance, " ", n.Note, " ", n.Unheard, " ", n.Unfit, " ", n.CanTake, " ", d.Session, " ", d.Over(), " ", len(d.Steps))
}

// OfferPrint changes when what an instrument has sent has to be shown anew. It is apart from Print, so that nothing that somebody types is lost by it.
func (d *runData) OfferPrint() string {
	if d.Next.Offers != nil {
		return machine(d.Next.Offers.At)
	}
	return d.Next.NoOffer
}

// Offer is what an instrument has sent, in words; "": nothing is offered.
func (d *runData) Offer() string {
	o := d.Next.Offers
	if o == nil {
		return ""
	}
	return valueWords(&record.RunValue{Digits: o.Digits, Unit: o.Unit}) + ", read by " + o.Instrument + " at " + clockTime(o.At)
}

// Unprinted is how many attempts paper does not list either.
func (d *runData) Unprinted() int { return d.More - len(d.Older) }

// Awaited says whether the run waits for whoever looks, though they do not perform it: to judge a value, or to be the second person.
func (d *runData) Awaited() bool {
	return d.MayAllow && d.Next.Waiting == "allowed" || d.MaySecond && d.Next.Waiting == "second person"
}

// IsOpen says whether it goes on.
func (d *runData) IsOpen() bool { return d.State == record.RunOpen }

// Look is the state of the run.
func (d *runData) Look() fitLook { return runLook(d.RunGlance) }

// Waits is what it waits for, as a word and a shape.
func (d *runData) Waits() fitLook { return waitLooks[d.Next.Waiting] }

// Over says whether the time of a step that waits is over.
func (d *runData) Over() bool { return d.Next.Due != nil && !d.Next.Due.Time().After(d.Moment) }

// Outside is what was found outside its limits, where the run waits for somebody to judge it.
func (d *runData) Outside() *takenRow {
	if d.Next.Outside == nil {
		return nil
	}
	row := takenRowOf(console.RunStepView{RunStep: d.Next.Outside, Counts: true})
	return &row
}

// Performer says that somebody else performs the run; "" where whoever looks does, or may not.
func (d *runData) Performer() string {
	if !d.IsOpen() || !d.May || d.Mine {
		return ""
	}
	return d.By.Shown()
}

// Said is what to do next. Where the procedure says nothing, the page does.
func (d *runData) Said() string {
	if d.Next.Say != "" {
		if d.Next.Waiting == "balance" {
			return "Choose the balance at which the run goes on. Then: " + d.Next.Say
		}
		return d.Next.Say
	}
	switch d.Next.Waiting {
	case "scan":
		return "Scan what is next."
	case "answer":
		return "Answer the question."
	case "weight":
		return "Put it on, and have it weighed."
	case "balance":
		return "Choose the balance at which the run goes on."
	case "second person":
		return "A second person looks, and says yes."
	case "time":
		return "Wait."
	case "allowed":
		return "A value is outside its limits."
	}
	return "Go on."
}

// Reasons at hand, for whoever wears gloves.
var (
	reasonsBack    = []string{"The wrong thing was on the pan.", "Something was spilt.", "It was touched or stood wrong."}
	reasonsRepeat  = []string{"It was touched or stood wrong.", "Draught or shaking disturbed it.", "The balance was not at zero."}
	reasonsAbandon = []string{"The sample is spoilt.", "The wrong procedure was chosen.", "The balance is needed for something else."}
	reasonsLeave   = []string{"It is not here.", "It is broken or spilt."}
)

func (d *runData) ReasonsBack() []string    { return reasonsBack }
func (d *runData) ReasonsRepeat() []string  { return reasonsRepeat }
func (d *runData) ReasonsAbandon() []string { return reasonsAbandon }
func (d *runData) ReasonsLeave() []string   { return reasonsLeave }

// BackTo is the step that would be done again, in words.
func (d *runData) BackTo() string {
	if len(d.Next.Undoes) == 0 {
		return spacedWords(d.Next.MayBack)
	}
	return undoneName(d.Next.Undoes[0])
}

func undoneName(u console.RunUndone) string {
	name := cmp.Or(u.Label, spacedWords(u.Step))
	if u.Item != nil {
		name += ", " + itemWords(u.Item)
	}
	return name
}

// Lost are what would not count any more if the step before, or this one, were done again, each in words.
func (d *runData) Lost() (all []string) {
	for i, u := range d.Next.Undoes {
		switch found := valueWords(u.Value); {
		case u.For != "":
			all = append(all, "The wait of "+u.For+" ("+undoneName(u)+") begins again, and takes as long as before.")
		case found != "":
			all = append(all, undoneName(u)+": "+found)
		case i > 0:
			all = append(all, undoneName(u))
		}
	}
	if d.Next.Waiting == "time" {
		all = append(all, "The wait that runs now begins again, and takes its whole time.")
	}
	return all
}

// runHere is the run that is at a balance, for the bench screen; nil: none.
func (s *Screens) runHere(r *http.Request, balance string) *runData {
	if s.deps.Runs == nil {
		return nil
	}
	v, ok := s.deps.Runs.RunAt(balance)
	if !ok {
		return nil
	}
	return s.runData(r, v)
}
