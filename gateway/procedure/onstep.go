package procedure

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/formula"
	"weighpost/gateway/record"
)

func (r *Run) answer(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if err := r.waits(ForAnswer); err != nil {
		return nil, err
	}
	s := r.state.step()
	e := r.entry(record.StepTaken)
	e.Value = &record.RunValue{Name: s.ID, How: "typed"}
	if s.typ.Kind == formula.KindQuantity {
		q, digits, err := typed(a, s)
		if err != nil {
			return nil, notDone("%v", err)
		}
		e.Value.Digits, e.Value.Unit = digits, q.Unit.Code()
		e.Verdicts = r.state.judge(s, formula.Of(q), r.state.at.pass)
		return []*record.RunStep{e}, nil
	}
	p := Parameter{Kind: s.Kind, Choices: s.Choices}
	text := strings.TrimSpace(a.Answer)
	v, err := p.value(text, s.typ)
	if err != nil {
		return nil, notDone("the answer cannot be taken: %v", err)
	}
	if s.Kind == "choice" {
		e.Value.How = "chosen"
	}
	e.Value.Text = text
	e.Verdicts = r.state.judge(s, v, r.state.at.pass)
	return []*record.RunStep{e}, nil
}

// readOff takes what an instrument at the balance has sent, as long as it is still what whoever acts was shown: a number is recorded by somebody
// who has seen it.
func (r *Run) readOff(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if err := r.waits(ForAnswer); err != nil {
		return nil, err
	}
	s := r.state.step()
	switch {
	case s.Do != Environment || !s.Air:
		return nil, notDone("the step %s is not about the air at the balance, so that no instrument there is read: type its value", s.ID)
	case f.Air == nil:
		return nil, notDone("the run is at no balance, so that no instrument belongs to it: type the value, or say at which balance the run goes on")
	}
	shown, why := f.Air(s.What)
	switch {
	case shown == nil:
		return nil, notDone("there is no reading to take: type the value. %s", why)
	case !shown.At.Time().Equal(a.Read.Time()):
		return nil, notDone("the reading of %s is not the newest any more: at %s %s showed %s %s. Look at that before it is taken", a.Read, shown.At, shown.Instrument, shown.Digits, shown.Unit)
	}
	q, digits, err := typed(Act{Answer: shown.Digits, Unit: shown.Unit}, s)
	if err != nil {
		return nil, notDone("what %s has sent cannot be taken: %v", clip(shown.Instrument), err)
	}
	e := r.entry(record.StepTaken)
	at := shown.At
	e.Value = &record.RunValue{Name: s.ID, Digits: digits, Unit: q.Unit.Code(), How: "read", Instrument: shown.Instrument, ReadAt: &at}
	e.Verdicts = r.state.judge(s, formula.Of(q), r.state.at.pass)
	return []*record.RunStep{e}, nil
}

// typed reads a number that somebody typed in, with the step's unit where none is given.
func typed(a Act, s *planned) (q formula.Quantity, digits string, err error) {
	text := strings.TrimSpace(a.Answer)
	if strings.Contains(text, ",") {
		return q, "", fmt.Errorf("%s has a comma: decimals are typed with a point, and thousands without a mark", clip(text))
	}
	digits, code, both := strings.Cut(text, " ")
	switch {
	case both && a.Unit != "":
		return q, "", fmt.Errorf("%s has a unit, and another is given beside it", clip(text))
	case !both:
		code = a.Unit
	}
	if code == "" {
		code = s.unit
	}
	if len(digits) > 60 {
		return q, "", fmt.Errorf("%s is too long for a number", clip(digits))
	}
	q, err = formula.ParseQuantity(withUnit(digits, code))
	if err != nil {
		return q, "", fmt.Errorf("the answer cannot be read: %w", err)
	}
	if q.Unit.Dimension() != s.typ.Unit.Dimension() {
		return q, "", fmt.Errorf("%s is %s, and %s (%s) is wanted", clip(text), q.Unit.Dimension(), s.typ.Unit.Dimension(), s.unit)
	}
	return q, digits, nil
}

func (r *Run) doneWith(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	n := r.next(f, false)
	st := r.state
	switch {
	case n.Waiting == ForTime:
		if due := r.due(); due != nil && now.Time().Before(due.Time()) {
			return nil, notDone("the wait ends at %s", due)
		}
		e := r.entry(record.StepTaken)
		e.Due = r.due()
		return []*record.RunStep{e}, nil
	case n.Waiting == ForScan && st.identifies() && st.grows && st.step().block == st.plan.first:
		if len(st.items) == 0 {
			return nil, notDone("nothing has been identified yet: the run has to be about something")
		}
		e := r.entry(record.StepSkipped)
		e.Why = "there are no more"
		return []*record.RunStep{e}, nil
	}
	if err := r.waits(ForDone); err != nil {
		return nil, err
	}
	e := r.entry(record.StepTaken)
	if st.step().Do == Tare {
		if why := r.fits(st.step(), f); why != "" {
			return r.stop("%s", why)
		}
		b := f.Balance
		e.Balance = &b
	}
	return []*record.RunStep{e}, nil
}

func (r *Run) confirm(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if err := r.waits(ForSecond); err != nil {
		return nil, err
	}
	switch last := r.state.step().Differs == "last"; {
	case !f.MaySecond:
		return nil, notDone("%s may not confirm: somebody with the right to be a second person does", clip(by.Shown()))
	case last && by.ID == r.last.ID:
		return nil, notDone("%s did the step before: another person confirms", clip(by.Shown()))
	case !last && (slices.Contains(r.people, by.ID) || by.ID == r.by.ID):
		return nil, notDone("%s took part in this run: another person confirms", clip(by.Shown()))
	}
	e := r.entry(record.StepTaken)
	e.Second = &by
	return []*record.RunStep{e}, nil
}

// allow lets the run go on with a value outside its limits, or without one that cannot be computed.
func (r *Run) allow(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	st := r.state
	_, stuck := r.itself()
	switch {
	case st.pending == nil && (stuck == nil || st.step().Do != Compute || st.step().when != nil && r.leavesOut()):
		return nil, notDone("no value is outside its limits: there is nothing to allow")
	case !f.MayAllow:
		return nil, notDone("%s may not let a run go on with a value outside its limits", clip(by.Shown()))
	case st.pending == nil:
		e := r.entry(record.StepSkipped)
		e.Why, e.Reason, e.Ref, e.By = stuck.Error(), a.Allow, a.Ref, by
		return []*record.RunStep{e}, nil
	case st.plan.steps[st.plan.byID[st.pending.Step]].outside() == "investigation" && a.Ref == "":
		return nil, notDone("the procedure wants the reference of an investigation before the run goes on")
	}
	e := r.entry(record.StepAllowed)
	e.Attempt, e.Item = st.pending.Attempt, st.pending.Item
	e.Reason, e.Ref, e.By = a.Allow, a.Ref, by
	return []*record.RunStep{e}, nil
}

// leave leaves out the item that is being worked on, or all that are missing.
func (r *Run) leave(a Act, by record.Actor, now record.UTC, f Facts) (steps []*record.RunStep, err error) {
	st := r.state
	if st.pending != nil && !f.MayAllow { // a value outside its limits does not go away with its item
		return nil, notDone("the value of the step %s is outside its limits: that comes first", st.pending.Step)
	}
	if st.ended() || st.step().block < 0 || !st.plan.blocks[st.step().block].items {
		return nil, notDone("there is no item here that could be left out: the step is of the whole run")
	}
	n := st.step().block
	first := st.plan.blocks[n].first
	for i := range st.items {
		if st.done[at{n, i + 1}] || st.left[i+1] || !st.identifies() && st.at.pass != i+1 {
			continue
		}
		e := r.about(record.StepSkipped, by)
		item := st.items[i]
		e.Step, e.Does, e.Pass, e.Item, e.Reason = st.plan.steps[first].ID, Identify, i+1, &item, a.Leave
		e.Attempt = r.tries[at{first, i + 1}] + 1
		steps = append(steps, e)
	}
	if len(steps) == 0 {
		return nil, notDone("no item is missing")
	}
	return steps, nil
}
