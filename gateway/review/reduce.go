package review

import (
	"errors"
	"fmt"
	"slices"

	"weighpost/gateway/follow"
	"weighpost/gateway/record"
)

// run is what is known of one run: little, since it is kept for ever. What its entries say in full is read from the journal when it is
// asked for.
type run struct {
	Run     record.RunRef      `json:"run"`
	State   string             `json:"state"`
	Before  string             `json:"before,omitempty"`  // of the state archived: the one before it
	Verdict string             `json:"verdict,omitempty"` // as it stands
	Items   []record.RunItem   `json:"items"`
	By      record.Actor       `json:"by"` // who performed it, last
	People  []string           `json:"people,omitempty"`
	Balance *record.Balance    `json:"balance,omitempty"` // where it was last
	Request *record.RequestRef `json:"request,omitempty"`
	Begun   record.UTC         `json:"begun"`
	Ended   record.UTC         `json:"ended,omitzero"`
	// Entries are the sequences of those that a signature covers (gateway/signature, Covers), in their order; Beside those of others
	// that tell of the run: who looked, attempts to sign, reports, judgements after a failed check.
	Entries []uint64  `json:"entries"`
	Beside  []uint64  `json:"beside,omitempty"`
	Weighed []weighed `json:"weighed,omitempty"`
	// Flags are kept as words; two more depend on others: see flagsOf.
	Flags []string `json:"flags,omitempty"`
	// Reviewer is who signed as the first of two. Doubted is the failed check that was judged to affect it since it was signed last.
	Reviewer string            `json:"reviewer,omitempty"`
	Doubted  string            `json:"doubted,omitempty"`
	Looked   map[string]uint64 `json:"looked,omitempty"` // by person: the last entry that they looked at
	Excluded []uint64          `json:"excluded,omitempty"`
	Other    string            `json:"other,omitempty"` // the run that stands for it
	Acted    record.UTC        `json:"acted,omitzero"`  // when something was done to it last
}

// weighed is a weighing, or a slip, of a run.
type weighed struct {
	Seq     uint64 `json:"seq"`
	Balance string `json:"balance"`
}

// last is the sequence of the last entry that a signature would cover.
func (u *run) last() uint64 { return u.Entries[len(u.Entries)-1] }

func (u *run) flag(words ...string) {
	for _, w := range words {
		if !slices.Contains(u.Flags, w) {
			u.Flags = append(u.Flags, w)
		}
	}
}

// performed says whether somebody had a part in a run, or is said to have had by an amendment.
func (u *run) performed(person string) bool {
	return person == u.By.ID || slices.Contains(u.People, person)
}

// reduce takes one entry. The view is locked.
func (r *Room) reduce(e record.Entry) error {
	switch e.Kind {
	case record.KindWeighing, record.KindResult:
		if record.OfNoRun(e) {
			return nil
		}
		return follow.Into(r.view, e, r.weighed)
	case record.KindLateEntered:
		return follow.Into(r.view, e, r.late)
	case record.KindRunBegun:
		return follow.Into(r.view, e, r.begun)
	case record.KindRunStep:
		return follow.Into(r.view, e, r.step)
	case record.KindRunEnded:
		return follow.Into(r.view, e, r.ended)
	case record.KindRunReviewed:
		return follow.Into(r.view, e, r.reviewed)
	case record.KindRunCorrected:
		return follow.Into(r.view, e, r.corrected)
	case record.KindSignature:
		return follow.Into(r.view, e, func(s *record.Signature) error { return r.of(s.Run.ID, s.Head, covered) })
	case record.KindSignatureRefused:
		return follow.Into(r.view, e, func(s *record.SignatureRefused) error { return r.of(s.Run.ID, s.Head, beside) })
	case record.KindReportIssued:
		return follow.Into(r.view, e, func(p *record.ReportIssued) error {
			if p.Run == nil {
				return nil
			}
			return r.of(p.Run.ID, p.Head, beside)
		})
	case record.KindAffectedJudged:
		return follow.Into(r.view, e, r.judged)
	}
	return nil
}

// Whether a signature covers an entry, or it only tells of the run.
const (
	covered = true
	beside  = false
)

// of adds an entry to those of a run.
func (r *Room) of(id string, h record.Head, isCovered bool) error {
	u := r.runs[id]
	if u == nil {
		return fmt.Errorf("there is no run %s", id)
	}
	if isCovered {
		u.Entries = append(u.Entries, h.Seq)
	} else {
		u.Beside = append(u.Beside, h.Seq)
	}
	return nil
}

func (r *Room) begun(b *record.RunBegun) error {
	if r.runs[b.Run.ID] != nil {
		return fmt.Errorf("the run %s began before", b.Run.ID)
	}
	r.runs[b.Run.ID] = &run{Run: b.Run, State: record.RunOpen, Items: b.Items, By: b.By, Balance: b.Balance, Request: b.Request, Begun: b.Stamp.UTC,
		Entries: []uint64{b.Seq}, Looked: map[string]uint64{}}
	return nil
}

// weighed takes a weighing, or a result, that carries a run.
func (r *Room) weighed(w *record.Weighing) error {
	if w.Context.Run == nil {
		return nil
	}
	u := r.runs[w.Context.Run.ID]
	if u == nil {
		return nil // somebody set it by hand
	}
	u.Entries = append(u.Entries, w.Seq)
	u.Weighed = append(u.Weighed, weighed{w.Seq, w.Balance.ID})
	if w.Stamp.Clock != record.ClockChecked {
		u.flag(FlagClock)
	}
	if w.Balance.Identity != "confirmed" {
		u.flag(FlagIdentity)
	}
	if w.Fitness.State != record.InService && w.Fitness.State != record.CheckDue {
		u.flag(FlagService)
	}
	return nil
}

// late takes a slip that was typed in for a run.
func (r *Room) late(l *record.LateEntered) error {
	if l.Context.Run == nil || r.runs[l.Context.Run.ID] == nil {
		return nil
	}
	u := r.runs[l.Context.Run.ID]
	u.flag(FlagLate)
	return r.of(u.Run.ID, l.Head, covered)
}

func (r *Room) step(s *record.RunStep) error {
	u := r.runs[s.Run.ID]
	if u == nil {
		return fmt.Errorf("there is no run %s", s.Run.ID)
	}
	u.Entries = append(u.Entries, s.Seq)
	if s.Balance != nil {
		u.Balance = s.Balance
	}
	if w := s.Weighing; w != nil && !slices.ContainsFunc(u.Weighed, func(one weighed) bool { return one.Seq == w.Seq }) {
		u.Weighed = append(u.Weighed, weighed{w.Seq, s.Subject()})
	}
	if flag := stepFlags[s.Became]; flag != "" {
		u.flag(flag)
	}
	switch {
	case s.Became == record.StepSkipped && s.Reason != "":
		u.flag(FlagLeftOut)
	case s.Became == record.RunHandedOver:
		u.By = s.By
	}
	if s.Value != nil && s.Value.How == "late" {
		u.flag(FlagLate)
	}
	if u.State == record.RunOpen {
		u.People = with(u.People, s.By.ID)
	}
	if s.Second != nil {
		u.People = with(u.People, s.Second.ID)
	}
	return nil
}

func with(list []string, id string) []string {
	if id == "" || slices.Contains(list, id) {
		return list
	}
	return append(list, id)
}

func (r *Room) ended(e *record.RunEnded) error {
	u := r.runs[e.Run.ID]
	if u == nil {
		return fmt.Errorf("there is no run %s", e.Run.ID)
	}
	u.Entries = append(u.Entries, e.Seq)
	u.State, u.Verdict, u.Items, u.Ended, u.Acted = e.State, e.Verdict, e.Items, e.Stamp.UTC, e.Stamp.UTC
	for _, id := range append(slices.Clone(e.People), e.By.ID) {
		u.People = with(u.People, id)
	}
	if e.Balance != nil {
		u.Balance = e.Balance
	}
	return nil
}

func (r *Room) reviewed(a *record.RunReview) error {
	u := r.runs[a.Run.ID]
	if u == nil || u.State == record.RunOpen {
		return fmt.Errorf("there is no run %s whose steps are done", a.Run.ID)
	}
	if a.Act == record.ActLook {
		u.Looked[a.By.ID] = max(u.Looked[a.By.ID], a.Seen)
		u.Beside = append(u.Beside, a.Seq)
		return nil
	}
	u.Entries = append(u.Entries, a.Seq)
	u.Acted = a.Stamp.UTC
	switch a.Act {
	case record.ActArchive:
		u.Before = a.From
	case record.ActReplace:
		if a.Other == nil {
			return errors.New("it does not say which run stands for the other")
		}
		u.Other = a.Other.ID
	}
	u.moved(a.To, a.Act, a.By.ID)
	r.look()
	return nil
}

// moved takes another state. Whoever signs has seen what was judged before.
func (u *run) moved(to, act, by string) {
	u.State = to
	if act == record.ActReview || act == record.ActApprove || act == record.ActDoubt {
		u.Doubted = ""
	}
	switch {
	case act == record.ActReview:
		u.Reviewer = by
	case to != record.RunReviewed && to != record.RunArchived:
		u.Reviewer = ""
	}
}

func (r *Room) corrected(c *record.RunCorrected) error {
	u := r.runs[c.Run.ID]
	if u == nil {
		return fmt.Errorf("there is no run %s", c.Run.ID)
	}
	u.Entries = append(u.Entries, c.Seq)
	u.Verdict, u.Acted = c.Verdict, c.Stamp.UTC
	u.moved(c.To, correct, c.By.ID)
	u.Excluded = nil
	for _, w := range c.Excluded {
		u.Excluded = append(u.Excluded, w.Seq)
	}
	u.flag(correctFlags[c.Change])
	if c.Change == record.CorrectAmend && c.Field == record.ItemPerson {
		u.People = with(u.People, c.After)
	}
	return nil
}

// judged takes a judgement after a failed check: which runs it is about.
func (r *Room) judged(a *record.AffectedJudged) error {
	for _, u := range r.runs {
		if !slices.ContainsFunc(a.Weighings, func(ref record.EntryRef) bool {
			return slices.ContainsFunc(u.Weighed, func(w weighed) bool { return w.Seq == ref.Seq })
		}) {
			continue
		}
		u.Beside = append(u.Beside, a.Seq)
		if a.Effect == record.EffectAffected {
			u.Doubted = a.Check
			u.flag(FlagAffected)
		}
	}
	r.look()
	return nil
}
