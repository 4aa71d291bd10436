package review

import (
	"cmp"
	"context"
	"encoding/json"
	"slices"

	"weighpost/gateway/record"
	"weighpost/gateway/signature"
)

// State gives the state of a run, "" where none of that id is known.
func (r *Room) State(id string) string {
	r.view.Lock()
	defer r.view.Unlock()
	if u := r.runs[id]; u != nil {
		return u.State
	}
	return ""
}

// Stands gives the state and the verdict of a run as they stand, "" where none of that id is known.
func (r *Room) Stands(id string) (state, verdict string) {
	r.view.Lock()
	defer r.view.Unlock()
	if u := r.runs[id]; u != nil {
		return u.State, u.Verdict
	}
	return "", ""
}

// Glance is a run in a list.
type Glance struct {
	Run      record.RunRef
	State    string
	Verdict  string // as it stands
	Items    []record.RunItem
	By       record.Actor // who performed it, last
	People   []string     // ids of all who had a part in it
	Balance  string
	Request  *record.RequestRef
	Begun    record.UTC
	Ended    record.UTC // zero: it is open
	Acted    record.UTC // when something was done to it last
	Last     uint64     // sequence of its last entry that a signature would cover
	Flags    []string
	Assessed []Assessed
	Other    string // the run that stands for it
}

func (r *Room) glance(u *run) Glance {
	g := Glance{Run: u.Run, State: u.State, Verdict: u.Verdict, Items: u.Items, By: u.By, People: u.People, Request: u.Request, Begun: u.Begun, Ended: u.Ended,
		Acted: u.Acted, Last: u.last(), Assessed: r.assessedOf(u), Other: u.Other}
	if u.Balance != nil {
		g.Balance = u.Balance.ID
	}
	g.Flags = append([]string{}, flagsOf(u, g.Assessed)...)
	return g
}

// Filter says which runs are wanted. What is left out does not matter.
type Filter struct {
	States    []string // none: all whose steps are done
	Procedure string   // name
	Sample    string   // a sample or container that it is about
	Balance   string   // where it was last, or that weighed for it
	Flag      string   // that it has; "none": it has none
	Acted     uint64   // it has an entry after this sequence
	After     string   // the run after which the list goes on
	Limit     int
}

// NoFlag in a Filter wants runs without any.
const NoFlag = "none"

// List gives runs, the one that was begun last first, and the id of the last where there are more.
func (r *Room) List(f Filter) (list []Glance, next string) {
	r.view.Lock()
	var all []*run
	for _, u := range r.runs {
		if f.wants(u) {
			c := *u
			c.Flags, c.Entries, c.Weighed, c.People = slices.Clone(u.Flags), slices.Clone(u.Entries), slices.Clone(u.Weighed), slices.Clone(u.People)
			all = append(all, &c)
		}
	}
	r.view.Unlock()
	slices.SortFunc(all, func(a, b *run) int { return cmp.Compare(b.Entries[0], a.Entries[0]) })
	if f.After != "" {
		i := slices.IndexFunc(all, func(u *run) bool { return u.Run.ID == f.After })
		all = all[i+1:]
	}
	for _, u := range all {
		g := r.glance(u)
		if f.Flag != "" && (f.Flag == NoFlag) != (len(g.Flags) == 0) || f.Flag != "" && f.Flag != NoFlag && !slices.Contains(g.Flags, f.Flag) {
			continue
		}
		if f.Limit > 0 && len(list) == f.Limit {
			return list, list[len(list)-1].Run.ID
		}
		list = append(list, g)
	}
	return list, ""
}

func (f *Filter) wants(u *run) bool {
	at := f.Balance == "" || u.Balance != nil && u.Balance.ID == f.Balance || slices.ContainsFunc(u.Weighed, func(w weighed) bool { return w.Balance == f.Balance })
	item := f.Sample == "" || slices.ContainsFunc(u.Items, func(i record.RunItem) bool { return i.Sample == f.Sample || i.Container == f.Sample })
	state := len(f.States) == 0 && u.State != record.RunOpen || slices.Contains(f.States, u.State)
	return state && at && item && (f.Procedure == "" || f.Procedure == u.Run.Procedure.Name) && u.last() > f.Acted
}

// Reviewed is everything that is known of a run whose steps are done.
type Reviewed struct {
	Glance
	Policy    Policy
	NoPolicy  error // why it cannot be told by whom it is approved
	Before    string
	BegunBy   *record.RunBegun
	EndedAs   *record.RunEnded // nil: its steps are not done
	Steps     []*record.RunStep
	Weighings []*record.Weighing // in the order of the journal; those that were excluded or not used too
	Slips     []*record.LateEntered
	Acts      []*record.RunReview // without those that only looked
	Corrected []*record.RunCorrected
	Excluded  []record.EntryRef
	Results   []record.RunResult // as they stand; those that were found first are in EndedAs
	Signed    []Signed
	Entries   []record.Entry // those that a signature covers, exactly as they are, in their order
	Beside    []record.Entry // others that tell of it: who looked, attempts to sign, reports, judgements after a failed check
	Looked    map[string]uint64
}

// Signed is a signature under a run.
type Signed struct {
	*record.Signature
	Over string // why it is not in force any more; "": it is
}

// Of gives everything that is known of a run. The error is record.ErrNoRun, or that of the journal.
func (r *Room) Of(ctx context.Context, id string) (v Reviewed, err error) {
	u, err := r.copyOf(id)
	if err != nil {
		return v, err
	}
	w, err := r.wholeOf(ctx, u)
	if err != nil {
		return v, err
	}
	v = Reviewed{Glance: r.glance(u), Before: u.Before, BegunBy: w.begun, EndedAs: w.ended, Steps: w.steps, Acts: w.acts, Corrected: w.corrections,
		Excluded: w.excluded(), Results: w.results(), Entries: w.entries, Looked: u.Looked}
	v.Policy, v.NoPolicy = r.o.Policy(u.Run.Procedure)
	for _, one := range w.weighings {
		v.Weighings = append(v.Weighings, one)
	}
	slices.SortFunc(v.Weighings, func(a, b *record.Weighing) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, one := range w.slips {
		v.Slips = append(v.Slips, one)
	}
	slices.SortFunc(v.Slips, func(a, b *record.LateEntered) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, s := range w.signatures {
		v.Signed = append(v.Signed, Signed{s, w.over(s.Seq)})
	}
	for _, seq := range u.Beside {
		e, err := r.read(ctx, seq)
		if err != nil {
			return v, err
		}
		v.Beside = append(v.Beside, e)
	}
	return v, nil
}

// over says why a signature is not in force any more.
func (w *whole) over(seq uint64) string {
	for _, e := range w.entries {
		var b record.Body
		switch {
		case e.Seq <= seq:
			continue
		case e.Kind == record.KindRunCorrected:
			b = &record.RunCorrected{}
		case e.Kind == record.KindRunReviewed:
			b = &record.RunReview{}
		default:
			continue
		}
		if json.Unmarshal(e.JSON, b) == nil { // it was read before
			if why := signature.Ends(b); why != "" {
				return why
			}
		}
	}
	return ""
}

// Allowed are the acts that somebody could do to a run now, each with what it needs.
type Allowed struct {
	Act     string `json:"act"`
	To      string `json:"to"`
	Meaning string `json:"meaning,omitempty"` // of the signature that it needs; "": none
	Reason  bool   `json:"reason"`            // a reason is needed
}

// Allowed lists what somebody could do to a run now. Corrections are "correct".
func (v *Reviewed) Allowed(by record.Actor, able Able, signSubmit bool) (list []Allowed) {
	u := &run{Run: v.Run, State: v.State, Before: v.Before, By: v.By, People: v.People}
	for _, a := range v.Acts {
		if a.Act == record.ActReview {
			u.Reviewer = a.By.ID
		}
	}
	said := map[string]bool{}
	for _, m := range moves {
		if said[m.act] || m.act == record.ActDoubt || v.NoPolicy != nil && fourEyes(m.act, Policy{}) {
			continue
		}
		said[m.act] = true
		if to, err := allowed(m.act, u, v.Policy, by, able); err == nil {
			list = append(list, Allowed{m.act, to, meaningOf(m.act, v.Policy, u.performed(by.ID), signSubmit), needsReason(m.act)})
		}
	}
	return list
}
