package screens

import (
	"cmp"
	"errors"
	"net/http"
	"net/url"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/report"
	"weighpost/gateway/rights"
)

func (s *Screens) reviewPages() []row {
	return []row{
		{"/reviews", rights.See, s.showReviewList},
		{"/runs/{run}/review", rights.ReadJournal, s.reviewRun},
		{"/runs/{run}/reread", rights.ReadJournal, s.rereadFrame},
	}
}

// reviewData is everything that whoever reviews a run has to see, on one page.
type reviewData struct {
	runRecordData
	V         console.ReviewView
	State     fitLook
	Verdict   fitLook
	Pairs     []resultPair
	Weighings []reviewedWeighing
	Slips     []reviewedSlip
	Acts      []reviewAct
	Correct   bool // whoever looks may correct it
	Why       []string
	Trail     []trailRow
	Fresh     int    // entries that came since whoever looks looked last
	LooksAt   uint64 // the entry up to which a look goes; 0: whoever looks has no look to take
	Went      []wentOf
	Reports   *reportsOf // nil: there are none here
}

// reviewedSlip is a slip that was typed in for the run.
type reviewedSlip struct {
	*record.LateEntered
	Steps    []takenRow
	Excluded *record.RunCorrected
}

// wentOf is what became of an entry of the run at each destination.
type wentOf struct {
	What, ID string
	To       []delivery
	Not      string // the destinations that do not want it
}

// doneAct is something that was done to the run, with the signature under it, if it was signed.
type doneAct struct {
	Act    *record.RunReview // nil: a signature whose act is not there
	Signed *console.ReviewSigned
}

// reviewAct is something that whoever looks may do to the run now.
type reviewAct struct {
	console.ReviewAllowed
	Label, Says string
	Run         string
	Seen        uint64
	Sign        *signPart // nil: it is not signed
}

// signPart is what is asked of somebody who signs.
type signPart struct {
	console.Statement
	Run, Act, Name string
	Seen           uint64
	Told           string // why it cannot be signed now
}

// reviewRun shows a run to whoever reviews it.
func (s *Screens) reviewRun(w http.ResponseWriter, r *http.Request) {
	if v, ok := s.reviewOf(w, r); ok {
		s.show(w, r, page{Template: "run-review.html", Title: "Review of run " + v.ID, Place: "/runs", Data: s.reviewData(r, v)})
	}
}

// reviewOf gives the run that a page is about; false: whoever asked was told why not.
func (s *Screens) reviewOf(w http.ResponseWriter, r *http.Request) (v console.ReviewView, ok bool) {
	if s.deps.Reviews == nil {
		s.sorry(w, r, http.StatusNotFound, "There are no runs here", "Procedures are not set up on this weighpost.")
		return v, false
	}
	id := r.PathValue("run")
	v, err := s.deps.Reviews.RunReview(r.Context(), id)
	switch {
	case errors.Is(err, record.ErrNoRun):
		s.sorry(w, r, http.StatusNotFound, "There is no such run", "No run has the id "+id+": look for it among the runs.")
	case err != nil:
		s.sorry(w, r, http.StatusServiceUnavailable, "The review cannot be shown now", asSentence(err.Error())+" Try again in a moment.")
	}
	return v, err == nil
}

func (s *Screens) reviewData(r *http.Request, v console.ReviewView) *reviewData {
	d := &reviewData{runRecordData: recordData(v.Run), V: v, State: stateLook(v.State), Verdict: verdictLook(v.Verdict), Pairs: pairsOf(v.First, v.Run.Results)}
	d.people()
	d.Weighings = d.weighings()
	for _, one := range v.Slips {
		d.Slips = append(d.Slips, reviewedSlip{LateEntered: one, Steps: usedBy(one.ID, d.Rows), Excluded: excludedBy(one.ID, &v)})
	}
	d.Trail, d.Fresh = trailOf(v.Trail, v.SeenUpTo)
	d.Went = wentsOf(&v)
	if v.State != record.RunOpen {
		d.Reports = s.reportsAbout(r, report.OfRun, v.ID, "this run").bundled(s, r, url.Values{"run": {v.ID}})
	}
	s.reviewActs(r, d)
	return d
}

// reviewActs are what whoever looks may do now, with what each asks for.
func (s *Screens) reviewActs(r *http.Request, d *reviewData) {
	who := s.who(r)
	for _, one := range d.V.Allowed {
		switch one.Act {
		case actCorrect:
			d.Correct = true
			continue
		case record.ActLook:
			if n := len(d.V.Covers); n > 0 && d.V.Covers[n-1] > d.V.SeenUpTo {
				d.LooksAt = d.V.Covers[n-1]
			}
			continue
		}
		a := reviewAct{ReviewAllowed: one, Label: actWords[one.Act].Label, Says: actWords[one.Act].Says, Run: d.ID, Seen: d.V.Last}
		if one.Meaning != "" {
			a.Sign = &signPart{Run: d.ID, Act: one.Act, Name: who.Name(), Seen: d.V.Last}
			var err error
			a.Sign.Statement, err = s.deps.Reviews.RunStatement(r.Context(), d.ID, one.Meaning)
			a.Sign.Told = notSigned(a.Sign.Statement, err)
		}
		d.Acts = append(d.Acts, a)
	}
	slices.SortStableFunc(d.Acts, func(a, b reviewAct) int { return mainFirst(a) - mainFirst(b) })
	d.Why = whyNot(who, &d.V)
}

// notSigned says why somebody cannot sign a statement now; "": they can.
func notSigned(s console.Statement, err error) string {
	switch {
	case err != nil:
		return asSentence(err.Error())
	case s.Asks.Not != "":
		return asSentence(s.Asks.Not)
	}
	return ""
}

// mainFirst puts what the state waits for before everything else that may be done.
func mainFirst(a reviewAct) int {
	if a.Main() {
		return 0
	}
	return 1
}

// Main says whether it is what the run waits for.
func (a reviewAct) Main() bool {
	return slices.Contains([]string{record.ActSubmit, record.ActReview, record.ActApprove}, a.Act)
}

// Elsewhere says whether it is signed at a provider.
func (a reviewAct) Elsewhere() bool { return a.Sign != nil && a.Sign.Asks.Provider != "" }

// Barred says whether it cannot be sent.
func (a reviewAct) Barred() bool { return a.Sign != nil && a.Sign.Told != "" }

// actCorrect stands among what is allowed for the four kinds of correction.
const actCorrect = "correct"

// Changed says whether a result is another than what was found first.
func (d *reviewData) Changed() bool { return slices.ContainsFunc(d.Pairs, resultPair.Changed) }

// Wanted says how many people sign the run, and whether whoever performed it may.
func (d *reviewData) Wanted() string {
	words := "One person reviews it, and approves it by that"
	if d.V.Approvals > 1 {
		words = "One person reviews it, and another approves it"
	}
	if d.V.SamePerson {
		return words + ". Whoever performed it may, by the rules of the procedure."
	}
	return words + ". Nobody who performed a part of it may."
}

// performed says whether somebody had a part in a run.
func performed(v *console.ReviewView, id string) bool {
	return id != "" && (v.By.ID == id || v.Run.Ended != nil && slices.Contains(v.Run.Ended.People, id))
}

// whyNot says why somebody who looks may not do what the state of the run waits for: nothing where they may, or nothing is waited for.
func whyNot(who who, v *console.ReviewView) (list []string) {
	may := func(act string) bool {
		return slices.ContainsFunc(v.Allowed, func(a console.ReviewAllowed) bool { return a.Act == act })
	}
	review, approve := who.Can(string(rights.ReviewRuns)), who.Can(string(rights.ApproveRuns))
	part := performed(v, who.Actor.ID) && !v.SamePerson
	switch v.State {
	case record.RunComplete, record.RunReturned:
		if !may(record.ActSubmit) {
			list = append(list, "Whoever performed the run submits it: "+v.By.Shown()+".")
		}
	case record.RunInReview, record.RunReviewed:
		switch {
		case may(record.ActReview), may(record.ActApprove):
		case part:
			list = append(list, "You had a part in this run: somebody else reviews it.")
		case v.State == record.RunReviewed && v.Approvals > 1 && !approve:
			list = append(list, "To approve it needs the right to "+allows(rights.ApproveRuns)+", which you do not have.")
		case v.State == record.RunReviewed:
			list = append(list, "You reviewed it: somebody else approves it.")
		case !review:
			list = append(list, "To review it needs the right to "+allows(rights.ReviewRuns)+", which you do not have.")
		}
	case record.RunReviewAgain:
		if !may(record.ActSubmit) {
			list = append(list, "Whoever performed the run, or a reviewer, submits it again.")
		}
	}
	if !may(actCorrect) && (may(record.ActSubmit) || v.State == record.RunInReview && part) {
		list = append(list, "While it is in review, a reviewer corrects it.")
	}
	return list
}

// Anew are the values that were worked out anew, as they stand.
func (d *reviewData) Anew() []record.Reworked {
	if n := len(d.V.Corrections); n > 0 {
		return d.V.Corrections[n-1].Worked
	}
	return nil
}

// Done is what was done to the run, in its order, each with its signature.
func (d *reviewData) Done() (list []doneAct) {
	under := func(seq uint64) *console.ReviewSigned {
		for i := range d.V.Signatures {
			if d.V.Signatures[i].Seq == seq {
				return &d.V.Signatures[i]
			}
		}
		return nil
	}
	named := map[uint64]bool{}
	for _, a := range d.V.Acts {
		one := doneAct{Act: a}
		if a.Signature != nil {
			one.Signed, named[a.Signature.Seq] = under(a.Signature.Seq), true
		}
		list = append(list, one)
	}
	for i := range d.V.Signatures {
		if !named[d.V.Signatures[i].Seq] {
			list = append(list, doneAct{Signed: &d.V.Signatures[i]})
		}
	}
	return list
}

// ID is that of its form.
func (a reviewAct) ID() string { return "act-" + a.Act }

// wentsOf tells what became of the end of the run and of its corrections at the destinations.
func wentsOf(v *console.ReviewView) (list []wentOf) {
	words := map[string]string{}
	if v.Run.Ended != nil {
		words[v.Run.Ended.ID] = "Its end, with the results as they were found first"
	}
	for _, c := range v.Corrections {
		words[c.ID] = "The correction of " + at(c.Stamp.UTC)
	}
	for _, d := range v.Deliveries {
		if n := len(list); n == 0 || list[n-1].ID != d.Entry.ID {
			list = append(list, wentOf{What: cmp.Or(words[d.Entry.ID], "Entry "+count(d.Entry.Seq)), ID: d.Entry.ID})
		}
		one := &list[len(list)-1]
		if d.State == console.DeliveryNotWanted {
			if one.Not != "" {
				one.Not += ", "
			}
			one.Not += d.Destination
			continue
		}
		one.To = append(one.To, delivery{console.DeliveryOf{Sink: d.Destination, State: d.State, Why: d.Why}})
	}
	return list
}
