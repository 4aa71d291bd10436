package procedure

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"time"

	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// twice is within how long after a weighing one of the same digits is taken for the print key pressed twice.
const twice = time.Second

// Weighed decides what becomes of a weighing that was recorded while the run was at its balance, in the order of the journal. A weighing that
// an entry of the run holds already gives nothing. The run stays as it is until the entries are applied.
func (r *Run) Weighed(w *record.Weighing, f Facts) []*record.RunStep {
	if r.closed != "" || r.judged[w.ID] {
		return nil
	}
	c := r.Clone()
	now := w.Stamp.UTC
	steps := c.follow(now)
	e := c.weighed(w, f)
	e.Weighing = &record.EntryRef{Seq: w.Seq, ID: w.ID}
	b := w.Balance
	e.Balance = &b
	c.pretend(e, now)
	return append(append(steps, e), c.follow(now)...)
}

// weighed makes the entry of a weighing.
func (r *Run) weighed(w *record.Weighing, f Facts) *record.RunStep {
	st := r.state
	waits := r.next(Facts{}, false).Waiting
	asked := !st.ended() && st.pending == nil && (st.step().weighs() || st.step().Do == Tare) &&
		(waits == ForWeight || waits == ForBalance || waits == ForDone)
	if !asked || len(r.all) >= MaxEntries {
		e := r.about(record.StepUnused, r.by)
		e.Why = fmt.Sprintf("no step asked for a weighing: the run waited for %s", says[waits])
		return e
	}
	s := st.step()
	f.Balance = w.Balance
	if why := r.unusable(w, s, f); why != "" {
		e := r.entry(record.StepStopped)
		e.Why = why
		return e
	}
	if s.Do == Tare {
		return r.tared(w)
	}
	return r.found(s, w.Value, "weighed", f)
}

// unusable says why a weighing cannot be that of a step, or "".
func (r *Run) unusable(w *record.Weighing, s *planned, f Facts) string {
	item := r.state.item()
	sample := w.Context.Sample
	switch {
	case w.Value.Range != "in" || w.Value.Digits == "":
		return fmt.Sprintf("the balance was %s its range: take something off it, or zero it, and weigh again", cmp.Or(w.Value.Range, "out of"))
	case w.Value.Stability == "unstable":
		return "the weight had not come to rest: wait until it has, and weigh again"
	case w.Balance.Identity == "unconfirmed":
		return fmt.Sprintf("whether this is the balance %s is not confirmed since its line was lost: scan its label, and weigh again", w.Balance.ID)
	case item != nil && item.Sample != "" && sample != nil && sample.ID != item.Sample:
		return fmt.Sprintf("it was weighed as sample %s, and the step is of sample %s", clip(sample.ID), clip(item.Sample))
	}
	if why := r.fits(s, f); why != "" {
		return why
	}
	if last := r.again(w); last {
		return fmt.Sprintf("%s came again within a second: the key was pressed twice, it seems. If it is another weighing, take it again", clip(w.Value.Shown()))
	}
	return ""
}

// again says whether a weighing shows what the one before it showed, less than a second later.
func (r *Run) again(w *record.Weighing) bool {
	l := r.latest
	if l == nil || l.balance != w.Balance.ID || l.shown != withUnit(w.Value.Digits, w.Value.Unit) {
		return false
	}
	apart := w.Stamp.UTC.Time().Sub(l.at.Time())
	return apart >= 0 && apart <= twice
}

// shownWeight is what the balance showed at a step.
func shownWeight(e *record.RunStep) string {
	if w := e.Worked; w != nil && len(w.Inputs) > 0 && len(w.Inputs[0].Value) == 1 {
		return w.Inputs[0].Value[0]
	}
	return withUnit(e.Value.Digits, e.Value.Unit)
}

// fits says why a step may not use a balance, or "".
func (r *Run) fits(s *planned, f Facts) string {
	id, d := f.Balance.ID, r.def.Balances[s.on]
	switch bound := r.state.bound[s.on]; {
	case id == "":
		return "the run is at no balance"
	case r.balance != id:
		return fmt.Sprintf("the balance %s is not where the run is: it is at %s", id, cmp.Or(r.balance, "none"))
	case s.on != "" && bound != "" && bound != id:
		return fmt.Sprintf("the balance %s is wanted here, since %q is that balance in this run, and this is %s", bound, s.on, id)
	case f.Unfit != "":
		return f.Unfit
	case d.Other != "" && r.state.bound[d.Other] == id:
		return fmt.Sprintf("the balance %s was %q in this run, and %q has to be another", id, d.Other, s.on)
	}
	return fine(d, f)
}

// fine says why a balance is not good enough, or "".
func fine(d Balance, f Facts) string {
	for _, want := range []struct {
		text, what string
		has        *big.Rat
		sign       int
	}{{d.Readability, "readability", f.Readability, 1}, {d.Capacity, "capacity", f.Capacity, -1}} {
		if want.text == "" {
			continue
		}
		limit, err := metrology.ParseMass(want.text)
		switch {
		case err != nil || want.has == nil:
			return fmt.Sprintf("the %s of the balance %s is not known, and the procedure asks for %s: write it into the balance's settings", want.what, f.Balance.ID, want.text)
		case want.has.Cmp(limit) == want.sign:
			return fmt.Sprintf("the balance %s has a %s of %s g, and the procedure asks for %s: go on at another", f.Balance.ID, want.what, metrology.Exact(want.has), want.text)
		}
	}
	return ""
}

// tared takes what a balance printed when it was tared: the tare, or a zero.
func (r *Run) tared(w *record.Weighing) *record.RunStep {
	q, why := massOf(w.Value)
	if tare := w.Value.Kind == "tare" || w.Value.Kind == "preset tare"; why == "" && !tare && q.Value().Sign() != 0 {
		why = fmt.Sprintf("the balance showed %s, and not zero: tare it first", clip(w.Value.Shown()))
	}
	if why != "" {
		e := r.entry(record.StepStopped)
		e.Why = why
		return e
	}
	e := r.entry(record.StepTaken)
	e.Value = &record.RunValue{Name: e.Step, Digits: w.Value.Digits, Unit: w.Value.Unit, Kind: w.Value.Kind, How: "weighed"}
	return e
}

// found makes of a weight what the step finds: a net mass where something is taken off, judged. A weight that cannot be it is stopped.
func (r *Run) found(s *planned, v record.Value, how string, f Facts) *record.RunStep {
	st, pass := r.state, r.state.at.pass
	refuse := func(why string) *record.RunStep {
		e := r.entry(record.StepStopped)
		e.Why = why
		return e
	}
	if v.Kind == "tare" || v.Kind == "preset tare" {
		return refuse(fmt.Sprintf("the balance printed its %s, and a load is wanted: weigh again", v.Kind))
	}
	shown, why := massOf(v)
	if why != "" {
		return refuse(why)
	}
	e := r.entry(record.StepTaken)
	e.Value = &record.RunValue{Name: s.ID, Digits: v.Digits, Unit: v.Unit, Kind: v.Kind, How: how}
	net := shown
	if s.less != nil {
		if net, why = r.net(s, e, shown, v); why != "" {
			return refuse(why)
		}
	}
	if s.Do == Weigh {
		least, below := r.minimum(s, net, f)
		if below != "" {
			return refuse(below)
		}
		if least != nil {
			e.Verdicts = append(e.Verdicts, *least)
		}
	}
	if s.target != nil {
		one, why := st.target(s, net, pass)
		if why != "" {
			return refuse(why)
		}
		e.Verdicts = append(e.Verdicts, one)
	}
	e.Verdicts = append(e.Verdicts, st.judge(s, formula.Of(net), pass)...)
	return e
}

// net takes off what the step says, and writes into the entry how.
func (r *Run) net(s *planned, e *record.RunStep, shown formula.Quantity, v record.Value) (net formula.Quantity, why string) {
	off, text, kind, ok := r.state.takenOff(s.less, r.state.at.pass)
	if !ok {
		return net, fmt.Sprintf("%s has no value, so that there is no net mass: step back and weigh it, or abandon the run", s.less.shown)
	}
	if v.Kind != kind && kind != "" && kind != "unknown" && v.Kind != "unknown" {
		return net, fmt.Sprintf("the balance called %s %s and this weight %s: it was tared in between, so that one cannot be taken off the other", s.less.shown, kind, v.Kind)
	}
	x := new(big.Rat).Sub(zeroed(shown.N), zeroed(off.N))
	worked := "shown - " + s.less.shown
	if s.removing {
		x.Neg(x)
		worked = s.less.shown + " - shown"
	}
	u := shown.Unit
	net = formula.NewQuantity(new(big.Rat).Quo(x, u.Size()), u)
	exact, ratio := exactOf(net)
	if ratio != "" { // another unit, whose decimals have no end in this one
		net = formula.NewQuantity(x, mass.Unit)
		if exact, ratio = exactOf(net); ratio != "" {
			return net, fmt.Sprintf("%s and %s cannot be taken off each other exactly: weigh both in one unit", clip(v.Shown()), text)
		}
	}
	e.Value.Digits, e.Value.Unit = digitsOf(net, v.Digits), net.Unit.Code()
	e.Worked = &record.Worked{Formula: worked, Exact: exact, Rounded: withUnit(e.Value.Digits, e.Value.Unit), Rule: "not rounded",
		Inputs: []record.WorkedInput{{Name: "shown", Value: []string{withUnit(v.Digits, v.Unit)}}, {Name: s.less.shown, Value: []string{text}}}}
	return net, ""
}

// takenOff gives the mass that a weighing's net mass is made with: of a weighing what the balance showed.
func (st *state) takenOff(one *ref, pass int) (q formula.Quantity, text, kind string, ok bool) {
	if one.how == given {
		v := st.params[one.index]
		return v.Quantity, v.String(), "", v.Kind == formula.KindQuantity
	}
	where := at{one.index, pass}
	if one.how == single {
		where.pass = 0
	}
	v := st.now(st.values[where])
	if v == nil {
		return q, "", "", false
	}
	if v.shown != nil {
		return *v.shown, shownWeight(v.entry), v.kind, true
	}
	return v.v.Quantity, v.text, "", true
}

// digitsOf writes a difference with as many decimals as the balance showed, or more where it needs them.
func digitsOf(q formula.Quantity, like string) string {
	decimals := 0
	for i := range like {
		if like[i] == '.' {
			decimals = len(like) - i - 1
		}
	}
	x := q.Value()
	if n, ends := x.FloatPrec(); ends && n > decimals {
		decimals = n
	}
	return x.FloatString(decimals)
}

// minimum holds a net mass against the minimum weight of the balance. below says why it has to be weighed again.
func (r *Run) minimum(s *planned, net formula.Quantity, f Facts) (v *record.Verdict, below string) {
	if s.Minimum == "none" {
		return nil, ""
	}
	v = &record.Verdict{Rule: record.RuleMinimum}
	if f.Minimum == nil {
		return notHeld(v, s, f, "no minimum weight of the balance "+f.Balance.ID+" is known"+because(f.NoMinimum)), ""
	}
	v.Limit, v.From = string(f.Minimum.Mass), f.Minimum.Source
	least, err := metrology.ParseMass(string(f.Minimum.Mass))
	if err != nil {
		return notHeld(v, s, f, "the minimum weight of the balance "+f.Balance.ID+" cannot be read: "+err.Error()), ""
	}
	v.Pass = zeroed(net.N).Cmp(least) >= 0
	if !v.Pass && s.Minimum == "refuse" {
		return nil, fmt.Sprintf("%s net is below the minimum weight of the balance, %s: weigh more, or on a finer balance", net.String(), f.Minimum.Mass)
	}
	return v, ""
}

// notHeld is the verdict on a weight that cannot be held against the minimum weight. Where one below it is refused, that is as bad as a value
// outside its limits: a limit that nobody knows keeps nothing out.
func notHeld(v *record.Verdict, s *planned, f Facts, why string) *record.Verdict {
	if s.Minimum != "refuse" {
		v.NotJudged, v.Why = true, why
		return v
	}
	return &record.Verdict{Rule: record.RuleKnown, Why: why + ", and the procedure refuses a weight below it: set it in the settings of the balance (fitness, minimum weight) " +
		"and weigh again, or go on at another balance. A version of the procedure with minimum: note would only note it"}
}

func because(why string) string {
	if why == "" {
		return ""
	}
	return " (" + why + ")"
}

// span is a target with its tolerance, exactly.
func (st *state) span(s *planned, pass int) (wanted, low, high formula.Quantity, err error) {
	out, _, err := st.work(s.target, pass)
	if err != nil {
		return wanted, low, high, err
	}
	wanted = out.Value.Quantity
	if out, _, err = st.work(s.tolerance, pass); err != nil {
		return wanted, low, high, err
	}
	by := new(big.Rat).Set(zeroed(out.Value.Quantity.N))
	if s.percent {
		by.Mul(by, new(big.Rat).Abs(zeroed(wanted.N)))
	}
	by.Abs(by)
	u := wanted.Unit
	low = formula.NewQuantity(new(big.Rat).Quo(new(big.Rat).Sub(zeroed(wanted.N), by), u.Size()), u)
	high = formula.NewQuantity(new(big.Rat).Quo(new(big.Rat).Add(zeroed(wanted.N), by), u.Size()), u)
	return wanted, low, high, nil
}

// target holds a net mass against what is wanted. Both ends of the tolerance pass.
func (st *state) target(s *planned, net formula.Quantity, pass int) (v record.Verdict, why string) {
	wanted, low, high, err := st.span(s, pass)
	if err != nil {
		return v, fmt.Sprintf("the target cannot be worked out: %v", err)
	}
	return record.Verdict{Rule: record.RuleTarget, Pass: compare(net, low) >= 0 && compare(net, high) <= 0, From: s.Limits.From,
		Limit: fmt.Sprintf("%s, from %s to %s", wanted.String(), low.String(), high.String())}, ""
}

// rests says whether a step that counts rests on a slip. A step that was replaced gives its slip back: it is still that weighing's.
func (r *Run) rests(slip string) bool {
	return slices.ContainsFunc(r.counts, func(e *record.RunStep) bool { return e.Weighing != nil && e.Weighing.ID == slip })
}

// late takes a slip that was typed in and confirmed, in place of a weighing.
func (r *Run) late(a Act, by record.Actor, now record.UTC, f Facts) ([]*record.RunStep, error) {
	st := r.state
	if w := r.next(Facts{}, false).Waiting; w != ForWeight && (w != ForBalance || !st.step().weighs()) {
		return nil, notDone("the run does not wait for a weight, but for: %s", says[w])
	}
	if f.Late == nil {
		return nil, notDone("slips cannot be looked up now")
	}
	slip, err := f.Late(a.Late)
	switch {
	case err != nil:
		return nil, notDone("the slip cannot be used: %v", err)
	case r.rests(slip.ID):
		return nil, notDone("the slip is in this run already")
	}
	s := st.step()
	if f.Balance.ID != slip.Balance.ID {
		f.Minimum, f.NoMinimum = nil, "the slip is of another balance than that where the run is"
	}
	f.Balance = slip.Balance
	if bound := st.bound[s.on]; s.on != "" && bound != "" && bound != slip.Balance.ID {
		return r.stop("the slip is of the balance %s, and %s is wanted here", slip.Balance.ID, bound)
	}
	if item := st.item(); item != nil && item.Sample != "" && slip.Context.Sample != nil && slip.Context.Sample.ID != item.Sample {
		return r.stop("the slip is of sample %s, and the step is of sample %s", clip(slip.Context.Sample.ID), clip(item.Sample))
	}
	e := r.found(s, slip.Value, "late", f)
	e.Weighing = &record.EntryRef{Seq: slip.Seq, ID: slip.ID}
	b := slip.Balance
	e.Balance = &b
	return []*record.RunStep{e}, nil
}
