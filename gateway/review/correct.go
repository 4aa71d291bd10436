package review

import (
	"context"
	"slices"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Correction is something that somebody wants corrected of a run. Digits, unit, stamp and frame of what was recorded can never be: there is
// no word for it here.
type Correction struct {
	Change  string // exclude, include, amend, reread
	Of      string // the id of the entry: of a weighing, or of a slip; amend: also of the beginning of the run, or of a step
	Field   string // amend: person, sample, lot, method, container, or the name of a field of its own
	Before  string // amend: what it says now; needed where the beginning of a run of several things is amended
	After   string // amend: what it should have said
	Layout  string // reread: hash of the layout
	Reason  string // one of the lab's list
	Comment string // in words of one's own
	Ref     string // of an investigation
	Seen    uint64 // sequence of the last entry of the run that was shown to whoever corrects
}

// Correct corrects a run, and returns once that is known. The error is as of Act, without that of Sign.
func (r *Room) Correct(ctx context.Context, id string, c Correction, by record.Actor, able Able) error {
	u, done, err := r.begin(ctx, id)
	if err != nil {
		return err
	}
	defer done()
	to, err := allowed(correct, u, Policy{}, by, able)
	if err == nil {
		err = u.seen(correct, c.Seen)
	}
	if err == nil {
		err = c.check(r.o.Config().Reasons)
	}
	if err != nil {
		return r.refused(c.word(), id, by, err)
	}
	body, err := r.corrects(ctx, u, &c, able, by)
	if err != nil {
		return r.refused(c.word(), id, by, err)
	}
	body.From, body.To, body.By, body.Stamp = u.State, to, by, r.o.Stamp()
	bodies := []record.Body{body}
	bodies = append(bodies, r.answer(u, u.State, to, body.Results, body.Verdict, c.Reason, by)...)
	_, err = r.view.Append(ctx, bodies...)
	return err
}

// word is what was wanted, for the entry that says that it was refused.
func (c *Correction) word() string {
	if slices.Contains([]string{record.CorrectExclude, record.CorrectInclude, record.CorrectAmend, record.CorrectReread}, c.Change) {
		return c.Change
	}
	return "correction"
}

// check says what is missing of a correction by itself.
func (c *Correction) check(reasons []string) error {
	if c.word() != c.Change {
		return notDone("%.40q is no correction: exclude, include, amend or reread", c.Change)
	}
	if !slices.Contains(reasons, c.Reason) {
		return notDone("the reason %.80q is not on the list of this lab", c.Reason)
	}
	if err := record.CheckReason(c.Comment); err != nil {
		return notDone("the comment, in words of your own, %v", err)
	}
	if c.Ref != "" {
		if err := record.CheckContextID(c.Ref); err != nil {
			return notDone("ref, the reference of an investigation, %v", err)
		}
	}
	if (c.Field != "" || c.Before != "" || c.After != "") && c.Change != record.CorrectAmend || (c.Layout != "") != (c.Change == record.CorrectReread) {
		return notDone("field, before and after are of an amendment, and a layout is of reading anew")
	}
	return nil
}

// corrects works out what a correction comes to, or says why it is none.
func (r *Room) corrects(ctx context.Context, u *run, c *Correction, able Able, by record.Actor) (*record.RunCorrected, error) {
	w, err := r.wholeOf(ctx, u)
	if err != nil {
		return nil, err
	}
	body := &record.RunCorrected{Run: u.Run, Balance: u.Balance, Request: u.Request, Change: c.Change, Field: c.Field, Layout: c.Layout, Reason: c.Reason,
		Comment: c.Comment, Ref: c.Ref, Was: append([]record.RunResult{}, w.results()...), Excluded: slices.Clone(w.excluded())}
	switch c.Change {
	case record.CorrectAmend:
		err = w.amends(c, body)
	case record.CorrectReread:
		err = r.rereads(ctx, w, c, body)
	default:
		err = w.excludes(c, body)
	}
	if err != nil {
		return nil, err
	}
	found, worked, err := r.o.Again(w.begun, w.steps, append(slices.Clone(w.corrections), body))
	if err != nil {
		return nil, notDone("the results cannot be worked out anew: %v", err)
	}
	body.Results, body.Verdict, body.Worked = append([]record.RunResult{}, found.Results...), found.Verdict, worked
	return body, w.outside(c, body, able, by)
}

// excludes has a weighing not used, or used again.
func (w *whole) excludes(c *Correction, body *record.RunCorrected) error {
	uses := w.uses(c.Of)
	if len(uses) == 0 {
		return notDone("no step of the run %s used %.120s", body.Run.ID, c.Of)
	}
	body.Of = *uses[0].Weighing
	for _, s := range uses {
		body.Steps = append(body.Steps, record.EntryRef{Seq: s.Seq, ID: s.ID})
	}
	at := slices.IndexFunc(body.Excluded, func(ref record.EntryRef) bool { return ref.ID == c.Of })
	switch {
	case c.Change == record.CorrectExclude && at >= 0:
		return notDone("%s is excluded already", c.Of)
	case c.Change == record.CorrectInclude && at < 0:
		return notDone("%s is not excluded: it is used", c.Of)
	case at >= 0:
		body.Excluded = slices.Delete(body.Excluded, at, at+1)
	default:
		body.Excluded = append(body.Excluded, body.Of)
	}
	return nil
}

// rereads has the frame of a weighing read by another layout.
func (r *Room) rereads(ctx context.Context, w *whole, c *Correction, body *record.RunCorrected) error {
	one := w.weighings[c.Of]
	uses := w.uses(c.Of)
	switch {
	case one == nil || len(uses) == 0:
		return notDone("no step of the run %s used a weighing %.120s, so there is no frame to be read anew", body.Run.ID, c.Of)
	case r.o.Reread == nil:
		return notDone("no frame can be read anew here")
	}
	v, err := r.o.Reread(ctx, one, c.Layout)
	if err != nil {
		return err
	}
	body.Of, body.Value, body.Before, body.After = record.EntryRef{Seq: one.Seq, ID: one.ID}, &v, one.Value.Shown(), v.Shown()
	for _, earlier := range w.corrections {
		if earlier.Change == record.CorrectReread && earlier.Of.ID == c.Of {
			body.Before = earlier.After
		}
	}
	for _, s := range uses {
		body.Steps = append(body.Steps, record.EntryRef{Seq: s.Seq, ID: s.ID})
	}
	if body.Before == body.After {
		return notDone("by that layout %s reads as %s too: nothing is another", c.Of, body.After)
	}
	return nil
}

// outside refuses to have something outside its limits go away without a reviewer, and without the reference of an investigation. It is
// common practice, and no clause of a standard.
func (w *whole) outside(c *Correction, body *record.RunCorrected, able Able, by record.Actor) error {
	out := w.wasOutside(body)
	if c.Change == record.CorrectExclude {
		for _, s := range w.uses(c.Of) {
			out = out || failed(s.Verdicts)
		}
	}
	switch {
	case c.Change == record.CorrectInclude || !out:
		return nil
	case !able.Review:
		return &Lacks{Right: rights.ReviewRuns, By: by}
	case c.Ref == "":
		return notDone("a value that was outside its limits goes away by this: give the reference of the investigation")
	}
	return nil
}

// wasOutside says whether something that was outside its limits is another from here on.
func (w *whole) wasOutside(body *record.RunCorrected) bool {
	for i, was := range body.Was {
		if was.Verdict != record.CheckFailed {
			continue
		}
		if i >= len(body.Results) {
			return true
		}
		if now := &body.Results[i]; now.Name != was.Name || now.Digits != was.Digits || now.Unit != was.Unit || now.Text != was.Text || now.Verdict != was.Verdict {
			return true
		}
	}
	for _, one := range body.Worked {
		if slices.ContainsFunc(w.worked(), func(was record.Reworked) bool {
			return was.Step == one.Step && was.Pass == one.Pass && was.Value == one.Value && was.Why == one.Why
		}) {
			continue // it was so before
		}
		for _, s := range w.steps {
			if s.Step == one.Step && s.Pass == one.Pass && s.Became == record.StepTaken && failed(s.Verdicts) {
				return true
			}
		}
	}
	return false
}

// failed says whether a value was outside a limit. What only warns is inside.
func failed(verdicts []record.Verdict) bool {
	return slices.ContainsFunc(verdicts, func(v record.Verdict) bool { return v.Failed() && v.Rule != record.RuleWarning })
}

// amends says what an amendment is about, and what stood there.
func (w *whole) amends(c *Correction, body *record.RunCorrected) error {
	if err := record.CheckContextID(c.After); err != nil {
		return notDone("after, what it should have said, %v", err)
	}
	ref, before, err := w.stood(c)
	if err != nil {
		return err
	}
	for _, earlier := range w.corrections {
		if earlier.Change == record.CorrectAmend && earlier.Of.ID == c.Of && earlier.Field == c.Field && (c.Before == "" || len(w.begun.Items) == 1) {
			before = earlier.After
		}
	}
	switch {
	case c.Before != "" && c.Before != before:
		return notDone("the %s of %s is %q, and not %q", c.Field, c.Of, before, c.Before)
	case before == c.After:
		return notDone("the %s of %s is %q already", c.Field, c.Of, before)
	}
	body.Of, body.Before, body.After = ref, before, c.After
	for _, s := range w.uses(c.Of) {
		body.Steps = append(body.Steps, record.EntryRef{Seq: s.Seq, ID: s.ID})
	}
	return nil
}

// stood gives what was recorded in a field of a context, and the entry that has it.
func (w *whole) stood(c *Correction) (ref record.EntryRef, before string, err error) {
	of := func(h record.Head) record.EntryRef { return record.EntryRef{Seq: h.Seq, ID: h.ID} }
	if one := w.weighings[c.Of]; one != nil {
		before, err = w.inContext(c, &one.Context)
		return of(one.Head), before, err
	}
	if one := w.slips[c.Of]; one != nil {
		before, err = w.inContext(c, &one.Context)
		return of(one.Head), before, err
	}
	for _, s := range w.steps {
		if s.ID == c.Of && s.Item != nil {
			before, err = inItem(c, s.Item)
			return of(s.Head), before, err
		}
	}
	if c.Of != w.begun.ID || c.Of == "" {
		return ref, "", notDone("%.120q is no weighing, slip or step of a sample of the run %s, and not its beginning", c.Of, w.begun.Run.ID)
	}
	switch n := len(w.begun.Items); {
	case n == 1:
		before, err = inItem(c, &w.begun.Items[0])
	case c.Before == "":
		err = notDone("the run %s began with %d things: say which of them is amended by what stands there now", w.begun.Run.ID, n)
	default:
		before = c.Before
		_, err = inItem(c, &record.RunItem{})
	}
	return of(w.begun.Head), before, err
}

// inContext is what a context says, or what the step that used it was about.
func (w *whole) inContext(c *Correction, context *record.Context) (string, error) {
	var item record.RunItem
	for _, s := range w.uses(c.Of) {
		if s.Item != nil {
			item = *s.Item
		}
	}
	if l := context.Get(c.Field); l != nil && c.Field != record.ItemRun {
		return l.ID, nil
	}
	switch c.Field {
	case record.ItemPerson, record.ItemMethod:
		return "", nil
	case record.ItemSample, record.ItemLot, fieldContainer:
		return inItem(c, &item)
	}
	if v, there := context.Fields[c.Field]; there {
		return v, nil
	}
	return "", notDone("%.40q is nothing of its context: person, sample, lot, method, container, or a field that it has. What the balance said is never amended", c.Field)
}

const fieldContainer = "container"

func inItem(c *Correction, item *record.RunItem) (string, error) {
	switch c.Field {
	case record.ItemSample:
		return item.Sample, nil
	case record.ItemLot:
		return item.Lot, nil
	case fieldContainer:
		return item.Container, nil
	}
	return "", notDone("%.40q is nothing of a sample or container that could be amended: sample, lot or container", c.Field)
}
