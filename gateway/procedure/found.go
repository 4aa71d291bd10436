package procedure

import (
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Found gives what the run has found so far: once Next says that it waits for its end, what it found.
func (r *Run) Found() Found {
	st := r.state
	f := Found{Results: []record.RunResult{}, Steps: []record.EntryRef{}, Weighings: []record.EntryRef{}, Unused: []record.EntryRef{}, Balances: []string{}, People: slices.Clone(r.people)}
	for _, e := range r.all {
		f.Steps = append(f.Steps, record.EntryRef{Seq: e.Seq, ID: e.ID})
		if e.Became == record.StepTaken && e.Weighing != nil && e.Balance != nil && !slices.Contains(f.Balances, e.Balance.ID) {
			f.Balances = append(f.Balances, e.Balance.ID)
		}
	}
	for _, name := range r.def.Results {
		f.Results = append(f.Results, r.results(st.plan.byID[name])...)
	}
	f.Verdict = r.verdict(f.Results)
	for i := range st.items {
		if st.left[i+1] {
			f.LeftOut = append(f.LeftOut, record.RunLeft{Item: st.items[i], Reason: r.leftBecause(i + 1)})
		}
	}
	r.weighings(&f)
	if f.People == nil {
		f.People = []string{}
	}
	return f
}

// results gives what a step found, in every pass in which it was meant to find something.
func (r *Run) results(step int) (all []record.RunResult) {
	st := r.state
	s := &st.plan.steps[step]
	add := func(pass int, item *record.RunItem) {
		if where := (at{step, pass}); st.values[where] != nil || !r.notMeant(s, where) {
			all = append(all, r.result(s, where, item))
		}
	}
	if s.block < 0 {
		add(0, r.only())
		return all
	}
	if b := &st.plan.blocks[s.block]; !b.items {
		for pass := 1; pass <= st.passes[s.block]; pass++ {
			add(pass, r.only())
		}
		return all
	}
	for i := range st.items {
		item := st.items[i]
		add(i+1, &item)
	}
	return all
}

// notMeant says whether a step was left out since its condition was not met: then there is no result, and none is missing.
func (r *Run) notMeant(s *planned, where at) bool {
	return s.When != "" && slices.ContainsFunc(r.counts, func(c *record.RunStep) bool {
		return c.Became == record.StepSkipped && c.Step == s.ID && c.Pass == where.pass && c.Reason == ""
	})
}

// only is the one thing that a run of one thing is about.
func (r *Run) only() *record.RunItem {
	if r.state.most == 1 && len(r.state.items) == 1 {
		item := r.state.items[0]
		return &item
	}
	return nil
}

func (r *Run) result(s *planned, where at, item *record.RunItem) record.RunResult {
	st := r.state
	out := record.RunResult{Name: s.ID, Label: s.Label, Item: item, Verdict: record.NotJudged}
	v := st.values[where]
	if s.block >= 0 && st.plan.blocks[s.block].items && st.left[where.pass] {
		out.Missing = "left out: " + r.leftBecause(where.pass)
		return out
	}
	if v == nil {
		out.Missing = r.missingBecause(s, where)
		return out
	}
	e := v.entry
	out.Digits, out.Unit, out.Text = e.Value.Digits, e.Value.Unit, e.Value.Text
	out.Entry = &record.EntryRef{Seq: e.Seq, ID: e.ID}
	if e.Worked != nil {
		out.Exact = e.Worked.Exact
	}
	out.Verdict = record.WorstOf(e.Verdicts)
	var limits []string
	for i := range e.Verdicts {
		if l := e.Verdicts[i].Limit; l != "" && e.Verdicts[i].Rule != record.RuleMinimum {
			limits = append(limits, l)
		}
	}
	out.Limit = strings.Join(limits, "; ")
	if a := st.allowed[e]; a != nil {
		out.Allowed = a.Reason
	}
	return out
}

// leftBecause is why an item was left out.
func (r *Run) leftBecause(pass int) string {
	for _, c := range slices.Backward(r.counts) {
		if c.Became == record.StepSkipped && c.Pass == pass && c.Item != nil && c.Reason != "" && c.Does == Identify {
			return c.Reason
		}
	}
	return ""
}

// missingBecause is why a step that is done has no value: it could not be worked out, and somebody let the run go on; or it has none any more,
// since a review left something out.
func (r *Run) missingBecause(s *planned, where at) string {
	for _, c := range slices.Backward(r.counts) {
		switch {
		case c.Step != s.ID || c.Pass != where.pass:
		case c.Became == record.StepSkipped && c.Reason != "":
			return c.Why + "; went on because: " + c.Reason
		case c.Became == record.StepTaken && c.Value == nil:
			return c.Why
		}
	}
	return ""
}

// verdict is the worst of the results, and of what else counts: a value outside its limits that somebody let pass is a failure wherever it is,
// and what was only noted is a warning. Of items that were left out with a reason it says nothing: they are named beside it. Without a result that
// is missing otherwise nothing has passed.
func (r *Run) verdict(results []record.RunResult) string {
	rank := map[string]int{record.NotJudged: 0, record.CheckPassed: 1, record.CheckWarned: 3, record.CheckFailed: 4}
	top, missing := 0, false
	for _, one := range results {
		top = max(top, rank[one.Verdict])
		missing = missing || one.Entry == nil && !r.isLeft(one.Item)
	}
	for _, c := range r.counts {
		if c.Became != record.StepTaken {
			continue
		}
		switch record.WorstOf(c.Verdicts) {
		case record.CheckFailed:
			if top = max(top, 3); r.state.allowed[c] != nil {
				top = 4
			}
		case record.CheckWarned:
			top = max(top, 3)
		}
	}
	switch {
	case top == 4:
		return record.CheckFailed
	case top == 3:
		return record.CheckWarned
	case top == 1 && !missing:
		return record.CheckPassed
	}
	return record.NotJudged
}

// isLeft says whether a result would have been of an item that was left out.
func (r *Run) isLeft(item *record.RunItem) bool {
	if item == nil {
		return false
	}
	i := slices.IndexFunc(r.state.items, func(one record.RunItem) bool { return one.Sample == item.Sample && one.Container == item.Container })
	return r.state.left[i+1]
}

// weighings divides the weighings of the run into those that results rest on and all others.
func (r *Run) weighings(f *Found) {
	rests := r.restsOn()
	used := map[string]bool{}
	for _, v := range r.state.values {
		where, known := r.where(v.entry)
		if known && rests[where.step] && v.entry.Weighing != nil {
			used[v.entry.Weighing.ID] = true
		}
	}
	said := map[string]bool{}
	for _, e := range r.all {
		if e.Weighing == nil || said[e.Weighing.ID] {
			continue
		}
		said[e.Weighing.ID] = true
		if used[e.Weighing.ID] {
			f.Weighings = append(f.Weighings, *e.Weighing)
		} else {
			f.Unused = append(f.Unused, *e.Weighing)
		}
	}
}

// restsOn finds the steps whose values the results come from.
func (r *Run) restsOn() map[int]bool {
	all := map[int]bool{}
	var add func(step int)
	add = func(step int) {
		if all[step] {
			return
		}
		all[step] = true
		s := &r.def.plan.steps[step]
		refs := []ref{}
		if s.formula != nil {
			refs = append(refs, s.formula.refs...)
		}
		if s.less != nil {
			refs = append(refs, *s.less)
		}
		for _, one := range refs {
			if one.how != given {
				add(one.index)
			}
		}
	}
	for _, name := range r.def.Results {
		add(r.def.plan.byID[name])
	}
	return all
}
