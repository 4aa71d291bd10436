package procedure

import (
	"weighpost/gateway/record"
)

// own says whether an entry that counts is of something that a person did, and not of what follows by itself.
func (r *Run) own(e *record.RunStep) bool {
	i := r.def.plan.byID[e.Step]
	s := &r.def.plan.steps[i]
	switch {
	case e.Became == record.StepAllowed, s.Do == Wait:
		return false // they go with the step that they are about, or that they follow
	case e.Became == record.StepSkipped:
		return s.block >= 0 && r.def.plan.blocks[s.block].items && i == r.def.plan.blocks[s.block].first
	}
	return !s.itself()
}

// lastOwn is the place of the last entry that counts and that a person did, or −1.
func (r *Run) lastOwn() int {
	for i := len(r.counts) - 1; i >= 0; i-- {
		if r.own(r.counts[i]) {
			return i
		}
	}
	return -1
}

// undoes says what undo would take back, in the order in which it was done. Decisions go with what they rest on.
func (r *Run) undoes(from int) (all []Undone) {
	for _, c := range r.counts[from:] {
		s := &r.def.plan.steps[r.def.plan.byID[c.Step]]
		if s.Do == Decide {
			continue
		}
		one := Undone{Entry: c, Label: s.Label}
		if s.Do == Wait && c.Became == record.StepTaken {
			one.For = s.For.String()
		}
		all = append(all, one)
	}
	return all
}

// undo gives the entries that take back what counts from a place on, the last first.
func (r *Run) undo(from int, reason string, by record.Actor) (steps []*record.RunStep) {
	for i := len(r.counts) - 1; i >= from; i-- {
		c := r.counts[i]
		e := r.about(record.StepReplaced, by)
		e.Step, e.Does, e.Pass, e.Attempt, e.Item, e.Weighing, e.Reason = c.Step, c.Does, c.Pass, c.Attempt, c.Item, c.Weighing, reason
		steps = append(steps, e)
	}
	return steps
}

func (r *Run) back(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	if r.state.pending != nil {
		return r.repeat(Act{Repeat: a.Back}, by, now, f) // so that nobody goes round the limit on repeats
	}
	i := r.lastOwn()
	if i < 0 {
		return nil, notDone("no step has been done that could be done again")
	}
	return r.undo(i, a.Back, by), nil
}

func (r *Run) repeat(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	p := r.state.pending
	if p == nil {
		return nil, notDone("no value is outside its limits: a step that was done can be done again by stepping back")
	}
	i := r.lastOwn()
	switch {
	case i < 0:
		return nil, notDone("the value rests on no step that could be done again")
	case r.left() < 1 && !f.MayAllow:
		return nil, notDone("the step %s may not be repeated%s: somebody with the right to decides", p.Step, map[bool]string{true: " any more"}[r.redone[r.state.at] > 0])
	}
	return r.undo(i, a.Repeat, by), nil
}

// left is how often the value that is outside its limits may still be found again without a reviewer.
func (r *Run) left() int {
	if r.state.pending == nil {
		return 0
	}
	s := r.state.step()
	if s.outside() != "repeat" {
		return 0
	}
	return max(0, s.repeats()-r.redone[r.state.at])
}
