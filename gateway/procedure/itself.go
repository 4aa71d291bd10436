package procedure

import (
	"errors"
	"fmt"
	"slices"

	"weighpost/gateway/formula"
	"weighpost/gateway/record"
)

// Pass gives what weighpost does by itself at a moment: a wait that is over, and what follows of it or of the beginning. Nothing: no steps.
func (r *Run) Pass(now record.UTC) []*record.RunStep {
	if r.closed != "" {
		return nil
	}
	if e, _ := r.itself(); e == nil && !over(r.due(), now) { // asked of every open run each second: nothing is copied for it
		return nil
	}
	c := r.Clone()
	steps := c.follow(now)
	if due := c.due(); over(due, now) {
		e := c.entry(record.StepTaken)
		e.Due = due
		steps = append(steps, e)
		c.pretend(e, now)
		steps = append(steps, c.follow(now)...)
	}
	return steps
}

// over says whether a wait that ends then has ended; nil: there is none.
func over(due *record.UTC, now record.UTC) bool { return due != nil && !now.Time().Before(due.Time()) }

// due is when the wait is over that the run is at, or nil.
func (r *Run) due() *record.UTC {
	st := r.state
	if st.ended() || st.pending != nil || st.step().Do != Wait || r.leavesOut() {
		return nil
	}
	due := record.UTC(st.moved.Time().Add(st.step().For.D()))
	return &due
}

// leavesOut says whether the step that is next has a condition that is not met, or cannot be worked out.
func (r *Run) leavesOut() bool {
	s := r.state.step()
	if s.when == nil {
		return false
	}
	out, _, err := r.state.work(s.when, r.state.at.pass)
	return err != nil || !out.Value.Truth
}

// pretend applies an entry to a clone, as it will be once it is in the journal.
func (r *Run) pretend(e *record.RunStep, now record.UTC) {
	c := *e
	c.Stamp.UTC = now
	r.Apply(&c)
}

// entry begins an entry about the step that is next.
func (r *Run) entry(became string) *record.RunStep {
	st := r.state
	e := &record.RunStep{Run: r.begun.Run, Became: became, Request: r.begun.Request, By: r.by}
	if st.ended() {
		return e
	}
	e.Step, e.Does, e.Pass = st.step().ID, st.step().Do, st.at.pass
	e.Attempt = r.tries[st.at] + 1
	if item := st.item(); item != nil {
		copied := *item
		e.Item = &copied
	}
	return e
}

// follow does what weighpost does by itself, one step after the other, on a clone.
func (r *Run) follow(now record.UTC) (steps []*record.RunStep) {
	for len(r.all) < MaxEntries {
		e, _ := r.itself()
		if e == nil {
			return steps
		}
		steps = append(steps, e)
		r.pretend(e, now)
	}
	return steps
}

// itself gives the entry of the step that is next, where weighpost does it by itself. stuck says why it cannot.
func (r *Run) itself() (e *record.RunStep, stuck error) {
	st := r.state
	if st.ended() || st.pending != nil {
		return nil, nil
	}
	s, pass := st.step(), st.at.pass
	if s.when != nil {
		out, _, err := st.work(s.when, pass)
		if err != nil {
			return nil, fmt.Errorf("whether the step %s is done cannot be told: %w", s.ID, err)
		}
		if !out.Value.Truth {
			e = r.entry(record.StepSkipped)
			e.Why = "its condition is not met: " + s.When
			return e, nil
		}
	}
	switch s.Do {
	case Compute:
		return r.compute(s, pass)
	case Decide:
		return r.decide(s, pass)
	}
	return nil, nil
}

func (r *Run) compute(s *planned, pass int) (*record.RunStep, error) {
	st := r.state
	out, inputs, err := st.work(s.formula, pass)
	if err != nil {
		return nil, fmt.Errorf("%s cannot be computed: %w", stepShown(s), err)
	}
	e := r.entry(record.StepTaken)
	e.Value = &record.RunValue{Name: s.ID, How: "computed"}
	e.Worked = &record.Worked{Formula: s.Formula, Inputs: orNone(inputs), Rule: "not rounded"}
	switch out.Value.Kind {
	case formula.KindQuantity:
		e.Worked.Exact, e.Worked.Ratio = exactOf(out.Value.Quantity)
		e.Value.Digits, e.Value.Unit = out.Trace.Rounded, out.Trace.Unit
		e.Worked.Rounded, e.Worked.Rule = withUnit(e.Value.Digits, e.Value.Unit), out.Trace.Rule
	case formula.KindTruth:
		e.Value.Text = yesOrNo(out.Value.Truth)
		e.Worked.Exact, e.Worked.Rounded = e.Value.Text, e.Value.Text
	default:
		e.Value.Text = out.Value.Text
		e.Worked.Exact, e.Worked.Rounded = e.Value.Text, e.Value.Text
	}
	for _, used := range out.Trace.Functions {
		if used.Source != "" {
			e.Worked.Sources = append(e.Worked.Sources, used.Name+": "+used.Source)
		}
	}
	e.Worked.Excluded = slices.Concat(r.without(s), st.excluded(s, pass), st.leftOut(s))
	e.Verdicts = append(st.judge(s, out.Rounded, pass), st.replies(s)...)
	return e, nil
}

func orNone(in []record.WorkedInput) []record.WorkedInput {
	if in == nil {
		return []record.WorkedInput{}
	}
	return in
}

// stepShown is a step as a sentence calls it.
func stepShown(s *planned) string {
	if s.Label != "" {
		return s.Label + " (" + s.ID + ")"
	}
	return s.ID
}

// replies says of a value that comes from a block whose replicate rule was not met that it is so.
func (st *state) replies(s *planned) (all []record.Verdict) {
	if s.formula == nil {
		return nil
	}
	add := func(v record.Verdict) {
		if !slices.Contains(all, v) {
			all = append(all, v)
		}
	}
	for _, one := range s.formula.refs {
		if one.how != several {
			continue
		}
		n := st.plan.steps[one.index].block
		b := &st.plan.blocks[n]
		if st.touchedBlock(one, b) {
			st.repliesAnew(one, b, add)
		} else if st.short[n] {
			add(record.Verdict{Rule: record.RuleReplies, Limit: "not " + b.While,
				Why: fmt.Sprintf("the condition still held after %d, which is the most that the procedure allows", st.passes[n])})
		}
	}
	return all
}

// without names the items that are not in the lists of a formula, since they were left out.
func (r *Run) without(s *planned) (all []string) {
	st := r.state
	for i := range st.items {
		for _, one := range s.formula.refs {
			if one.how == several && st.left[i+1] && st.plan.blocks[st.plan.steps[one.index].block].items {
				all = append(all, fmt.Sprintf("%s %d: left out (%s)", one.shown, i+1, r.leftBecause(i+1)))
			}
		}
	}
	return all
}

// excluded names the values that a formula leaves out.
func (st *state) excluded(s *planned, pass int) (all []string) {
	for _, x := range s.within {
		out, _, err := st.work(x.kept, pass)
		if err != nil {
			continue
		}
		kept := slices.Clone(out.Value.List)
		for _, v := range st.passesOf(x.list.index) {
			n := slices.IndexFunc(kept, func(q formula.Quantity) bool { return compare(q, v.v.Quantity) == 0 })
			if n < 0 {
				all = append(all, fmt.Sprintf("%s %d: %s, since it is not in %s", x.list.shown, v.entry.Pass, v.text, x.kept.text))
				continue
			}
			kept = slices.Delete(kept, n, n+1)
		}
	}
	return all
}

// decide finds which way a decision leads.
func (r *Run) decide(s *planned, pass int) (*record.RunStep, error) {
	st := r.state
	e := r.entry(record.StepTaken)
	i := st.at.step
	out, inputs, err := st.work(s.cond, pass)
	to := s.then
	var none missing
	switch {
	case err == nil && !out.Value.Truth:
		to = s.other
	case errors.As(err, &none) && priorMissing(s.cond, none) && (s.then <= i || s.other <= i):
		to = min(s.then, s.other) // there is nothing before yet to compare with: once more
		e.Why = none.Error() + " yet, so that the steps are done once more"
	case err != nil:
		return nil, fmt.Errorf("the decision %s cannot be made: %w", s.ID, err)
	}
	if err == nil {
		answer := yesOrNo(out.Value.Truth)
		e.Worked = &record.Worked{Formula: s.If, Inputs: orNone(inputs), Exact: answer, Rounded: answer, Rule: "not rounded"}
		e.Value = &record.RunValue{Name: s.ID, Text: answer, How: "computed"}
	}
	if to <= i && st.ledBack[st.at] >= s.Back {
		e.Verdicts = []record.Verdict{{Rule: record.RuleLoop, Limit: fmt.Sprintf("leads back at most %d times", s.Back),
			Why: "the condition would lead back once more, and the procedure does not allow it"}}
		to = i + 1
	}
	e.Next = "end"
	if to < len(st.plan.steps) {
		e.Next = st.plan.steps[to].ID
	}
	return e, nil
}

func priorMissing(e *expression, m missing) bool {
	return slices.ContainsFunc(e.refs, func(one ref) bool { return one.how == earlier && one.shown == m.name })
}
