package procedure

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"weighpost/gateway/record"
)

// Changes are what a review changed about a run that has ended. Nothing of them alters what was recorded.
type Changes struct {
	// Excluded are the weighings, and the slips that were typed in, that are not to be used: by the id of their entry, each with its reason.
	Excluded map[string]string
	// Values are what the frames of weighings read as by another layout, by the id of the weighing's entry.
	Values map[string]record.Value
	// Amended is what was wrong of a context, in the order in which it was amended.
	Amended []Amendment
}

// ChangesOf gives what the corrections of a run come to, in their order: a weighing that was excluded and is used again is not among them.
func ChangesOf(corrections []*record.RunCorrected) (Changes, error) {
	c := Changes{Excluded: map[string]string{}, Values: map[string]record.Value{}}
	for _, one := range corrections {
		switch one.Change {
		case record.CorrectExclude:
			c.Excluded[one.Of.ID] = one.Reason
		case record.CorrectInclude:
			delete(c.Excluded, one.Of.ID)
		case record.CorrectAmend:
			c.Amended = append(c.Amended, Amendment{Of: one.Of.ID, Field: one.Field, Before: one.Before, After: one.After})
		case record.CorrectReread:
			if one.Value == nil {
				return c, fmt.Errorf("the correction %s does not say what the weighing %s reads as", clip(one.ID), clip(one.Of.ID))
			}
			c.Values[one.Of.ID] = *one.Value
		default:
			return c, fmt.Errorf("the correction %s is of no kind that is known: %s", clip(one.ID), clip(one.Change))
		}
	}
	return c, nil
}

// anew is what became of a value in a review.
type anew struct {
	v     *value          // nil: it has none any more
	entry *record.RunStep // a copy of the one that found it, as it would be now; nil: it found nothing
	why   string          // a clause: its weighing is not used: spilt
}

// Again works out what a run found as if its changes had been so from the beginning. def is the version that begun names, and steps are all
// entries of the run in the order of the journal, which stay as they are. The way that the run took stays too: a step is not done or left out
// after the fact, and where a condition or a decision would now come out otherwise, what was worked out anew says so, and the verdict is passed
// no more. What needs a value that is not there any more has none, and says why. What no change touches is as it was recorded, and is not worked
// out again. The error says which change is about no entry of the run.
func Again(def *Definition, begun *record.RunBegun, steps []*record.RunStep, c Changes) (Found, []record.Reworked, error) {
	return again(def, begun, steps, c, false)
}

// again is Again. all: everything is worked out anew, also what no change touches.
func again(def *Definition, begun *record.RunBegun, steps []*record.RunStep, c Changes, all bool) (Found, []record.Reworked, error) {
	r, err := Open(def, begun)
	if err != nil {
		return Found{}, nil, err
	}
	for _, e := range steps {
		r.Apply(e)
	}
	w := &reworking{run: r, changes: c, all: all, known: map[*record.RunStep]anew{}, worked: []record.Reworked{}}
	if err := w.fits(); err != nil {
		return Found{}, nil, err
	}
	if w.items, w.other, err = r.amended(c); err != nil {
		return Found{}, nil, err
	}
	st := r.clean.clone()
	for _, e := range r.counts {
		w.step(st, e)
		st.take(e)
	}
	return w.found(), w.worked, nil
}

// reworking is one walk over the entries of a run that count.
type reworking struct {
	run     *Run
	changes Changes
	all     bool
	items   []record.RunItem  // as they are from here on
	other   map[string]string // weighings that are not of their step's item, as amended: by id, with why
	known   map[*record.RunStep]anew
	worked  []record.Reworked
	another bool // the run would have taken another way
}

// fits holds the changes against the entries of the run.
func (w *reworking) fits() error {
	for _, ids := range [][]string{slices.Sorted(maps.Keys(w.changes.Excluded)), slices.Sorted(maps.Keys(w.changes.Values))} {
		for _, id := range ids {
			if !slices.ContainsFunc(w.run.all, func(e *record.RunStep) bool { return e.Weighing != nil && e.Weighing.ID == id }) {
				return notDone("%s is no weighing of the run %s", clip(id), clip(w.run.begun.Run.ID))
			}
		}
	}
	return nil
}

// step works out one entry that counts. st is the run as it was before it, by what was recorded.
func (w *reworking) step(st *state, e *record.RunStep) {
	i, known := st.plan.byID[e.Step]
	if !known || e.Became != record.StepTaken && e.Became != record.StepSkipped {
		return
	}
	s, view := &st.plan.steps[i], *st
	view.anew, view.at, view.pending = w.known, at{i, e.Pass}, nil
	x := *w.run
	x.state = &view
	now, whys := e, w.condition(&view, s, e)
	if e.Became == record.StepTaken && (w.all || w.touched(&view, s, e)) {
		if n := w.rework(&x, s, e); n.entry == nil || !alike(n.entry, e) {
			w.known[e], now = n, n.entry
			whys = append([]string{n.why}, whys...)
		}
	}
	if now == e && len(whys) == 0 {
		return
	}
	one := record.Reworked{Step: e.Step, Pass: e.Pass, Value: record.RunValue{Name: e.Step}}
	one.Why = strings.Join(slices.DeleteFunc(whys, func(s string) bool { return s == "" }), "; ")
	if now != nil {
		one.Worked = now.Worked
		if now.Value != nil {
			one.Value = *now.Value
		}
	}
	w.worked = append(w.worked, one)
}

// alike says whether an entry found the same, in the same way.
func alike(a, b *record.RunStep) bool {
	text := func(e *record.RunStep) string {
		b, _ := json.Marshal([]any{e.Value, e.Worked, e.Verdicts, e.Next}) // of texts, which can always be written
		return string(b)
	}
	return text(a) == text(b)
}

// condition says where a step that was done would now be left out, and the other way round. It stays as it was.
func (w *reworking) condition(view *state, s *planned, e *record.RunStep) (whys []string) {
	skipped := e.Became == record.StepSkipped
	if s.when == nil || skipped && e.Reason != "" || !w.all && !view.touchedIn(s.when, e.Pass) {
		return nil
	}
	stays := map[bool]string{true: "it was left out, and that stays", false: "it was done, and that stays"}[skipped]
	switch out, _, err := view.work(s.when, e.Pass); {
	case err != nil:
		whys = append(whys, fmt.Sprintf("whether its condition is met cannot be told any more, since %v: %s", err, stays))
	case out.Value.Truth == skipped:
		now := map[bool]string{true: "met", false: "not met any more"}[skipped]
		whys = append(whys, fmt.Sprintf("its condition %s is %s: %s", s.When, now, stays))
	}
	w.another = w.another || len(whys) > 0
	return whys
}

// touched says whether anything that an entry was worked out from is another.
func (w *reworking) touched(view *state, s *planned, e *record.RunStep) bool {
	if e.Weighing != nil {
		_, out := w.changes.Excluded[e.Weighing.ID]
		_, read := w.changes.Values[e.Weighing.ID]
		if out || read || w.other[e.Weighing.ID] != "" {
			return true
		}
	}
	for _, one := range append([]*expression{s.formula, s.cond, s.target, s.tolerance}, s.limits[:]...) {
		if view.touchedIn(one, e.Pass) {
			return true
		}
	}
	if s.formula != nil && slices.ContainsFunc(s.formula.refs, func(one ref) bool {
		return one.how == several && view.touchedBlock(one, &view.plan.blocks[view.plan.steps[one.index].block])
	}) {
		return true
	}
	return s.less != nil && view.touched(*s.less, e.Pass)
}

// rework works out what an entry finds from here on.
func (w *reworking) rework(x *Run, s *planned, e *record.RunStep) anew {
	var found *record.RunStep
	var err error
	why := ""
	switch s.Do {
	case Weigh, Empty, Tare:
		found, why, err = w.weighed(x, s, e)
	case Compute:
		found, err = x.compute(s, e.Pass)
	case Decide:
		found, why = w.decided(x, s, e)
	default:
		found = e
		if v, ok := valueOf(s, e); ok && (s.Do == Ask || s.Do == Environment) {
			judged := *e
			judged.Verdicts = x.state.judge(s, v.v, e.Pass)
			found = &judged
		}
	}
	if err != nil {
		return anew{why: err.Error()}
	}
	n := *e
	n.Value, n.Worked, n.Verdicts, n.Next = found.Value, found.Worked, found.Verdicts, found.Next
	if now := record.WorstOf(n.Verdicts); now != record.WorstOf(e.Verdicts) {
		why = strings.TrimPrefix(fmt.Sprintf("%s; it was %s, and is %s", why, record.WorstOf(e.Verdicts), now), "; ")
	}
	v, _ := valueOf(s, &n)
	return anew{v, &n, why}
}

// weighed judges a weighing anew, where it is used.
func (w *reworking) weighed(x *Run, s *planned, e *record.RunStep) (found *record.RunStep, why string, err error) {
	if e.Weighing == nil { // a person said that the balance is tared
		return e, "", nil
	}
	if reason, out := w.changes.Excluded[e.Weighing.ID]; out {
		return nil, "", errors.New("its weighing is not used: " + reason)
	}
	if why := w.other[e.Weighing.ID]; why != "" {
		return nil, "", errors.New(why)
	}
	digits, code, _ := strings.Cut(shownWeight(e), " ")
	v := record.Value{Digits: digits, Unit: code, Kind: e.Value.Kind, Range: "in"}
	if read, is := w.changes.Values[e.Weighing.ID]; is {
		if v = read; v.Range != "in" || v.Digits == "" || v.Stability == "unstable" {
			return nil, "", errors.New("its weighing, as it is read anew, is none that a step can use: out of its range, or not at rest")
		}
		why = "its weighing is read anew as " + v.Shown()
	}
	if s.Do == Tare {
		found = x.tared(&record.Weighing{Value: v})
	} else {
		if s.less != nil {
			if _, _, _, ok := x.state.takenOff(s.less, e.Pass); !ok {
				return nil, "", fmt.Errorf("%s has no value, so that there is no net mass", s.less.shown)
			}
		}
		found = x.found(s, v, e.Value.How, Facts{Minimum: minimumIn(e)})
		unknownThen(found, e)
	}
	if found.Became == record.StepStopped {
		return nil, "", errors.New(found.Why)
	}
	return found, why, nil
}

// minimumIn is the minimum weight that an entry was held against, or nil where none was known.
func minimumIn(e *record.RunStep) *record.MinimumWeight {
	for _, v := range e.Verdicts {
		if v.Rule == record.RuleMinimum && v.Limit != "" {
			return &record.MinimumWeight{Mass: record.Mass(v.Limit), Source: v.From}
		}
	}
	return nil
}

// unknownThen keeps why no minimum weight was known when a weight was recorded: nobody can say it better now.
func unknownThen(found, e *record.RunStep) {
	unknown := func(v record.Verdict) bool {
		return v.Rule == record.RuleKnown || v.Rule == record.RuleMinimum && v.NotJudged
	}
	then := slices.IndexFunc(e.Verdicts, unknown)
	if i := slices.IndexFunc(found.Verdicts, unknown); i >= 0 && then >= 0 {
		found.Verdicts[i] = e.Verdicts[then]
	}
}

// decided says where a decision would now lead another way. The run went the way that it took.
func (w *reworking) decided(x *Run, s *planned, e *record.RunStep) (found *record.RunStep, why string) {
	found, err := x.decide(s, e.Pass)
	stays := fmt.Sprintf("the run went on at %s, and that stays", e.Next)
	switch {
	case err != nil:
		w.another = true
		n := *e
		n.Worked, n.Value = nil, &record.RunValue{Name: e.Step}
		return &n, fmt.Sprintf("%v any more: %s", err, stays)
	case found.Next != e.Next:
		w.another = true
		why = fmt.Sprintf("it would now lead to %s: %s", found.Next, stays)
	default:
		why = found.Why
	}
	n := *found
	n.Next = e.Next
	return &n, why
}

// found is what the run found, by what was worked out anew.
func (w *reworking) found() Found {
	r := w.run.Clone()
	st := r.state
	for where, v := range st.values {
		if n, is := w.known[v.entry]; is && n.v == nil {
			delete(st.values, where)
		} else if is {
			st.values[where] = n.v
		}
	}
	st.items = w.items
	for i, e := range r.counts {
		n, is := w.known[e]
		if !is {
			continue
		}
		if n.entry == nil { // it counts no more, and is no failure
			n.entry = &record.RunStep{Step: e.Step, Pass: e.Pass, Became: e.Became, Why: n.why}
		} else if a := st.allowed[e]; a != nil && record.WorstOf(n.entry.Verdicts) == record.WorstOf(e.Verdicts) && e.Value != nil && n.entry.Value != nil && *n.entry.Value == *e.Value {
			st.allowed[n.entry] = a // nobody let the run go on with another value
		}
		if st.pending == e {
			st.pending = n.entry
		}
		r.counts[i] = n.entry
	}
	f := r.Found()
	switch {
	case slices.ContainsFunc(r.counts, w.failsNow(r)):
		f.Verdict = record.CheckFailed
	case w.another && f.Verdict == record.CheckPassed:
		f.Verdict = record.CheckWarned
	}
	return f
}

// failsNow says of an entry whether its value, as it was worked out anew, is outside limits at which the run would have had to stop, and nobody
// let it go on with that value.
func (w *reworking) failsNow(r *Run) func(e *record.RunStep) bool {
	first := map[*record.RunStep]*record.RunStep{}
	for was, n := range w.known {
		first[n.entry] = was
	}
	return func(e *record.RunStep) bool {
		was := first[e]
		if was == nil || !failed(e) {
			return false
		}
		if failed(was) { // then somebody let the run go on with the value that it was, or left its item out
			return r.state.allowed[was] != nil
		}
		s := &r.def.plan.steps[r.def.plan.byID[e.Step]]
		overItems := s.block >= 0 && r.def.plan.blocks[s.block].items
		return (s.Do == Decide || s.outside() != "note" || unknownMinimum(e)) && !(overItems && r.state.left[e.Pass])
	}
}
