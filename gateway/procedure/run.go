package procedure

import (
	"errors"
	"fmt"
	"maps"
	"math/big"
	"slices"

	"weighpost/gateway/formula"
	"weighpost/gateway/record"
)

// Run is one execution of a definition. It is not safe for use by several goroutines; a Clone is.
type Run struct {
	def   *Definition
	begun *record.RunBegun
	state *state
	clean *state // as it was when the run began

	all    []*record.RunStep // every entry, in the order of the journal
	counts []*record.RunStep // those that count, in their order
	judged map[string]bool   // weighings and slips that are in an entry, by id
	tries  map[at]int        // attempts at a step, by its place
	redone map[at]int        // how often a step was repeated since its value was outside its limits

	balance string // where the run is; "": at none
	aside   bool
	by      record.Actor // who performs it
	people  []string     // who did something, in their order
	last    record.Actor // who did the step before
	latest  *taken       // the last weighing that was taken
	closed  string       // the state of a run that has ended
}

// taken is a weighing that became a step.
type taken struct {
	balance, shown string
	at             record.UTC
}

// Open gives a run as it is when it has just begun. def has been parsed without mistakes, and is the version that begun names. The error is a
// *record.NotDone where what was given does not fit the definition.
func Open(def *Definition, begun *record.RunBegun) (*Run, error) {
	if def.plan == nil {
		return nil, errors.New("the procedure has mistakes, or was not parsed: no run can begin with it")
	}
	st := &state{plan: def.plan, items: slices.Clone(begun.Items), grows: len(begun.Items) == 0, most: def.Most, values: map[at]*value{}, prior: map[at]*value{},
		done: map[at]bool{}, left: map[int]bool{}, passes: map[int]int{}, short: map[int]bool{}, ledBack: map[at]int{}, bound: map[string]string{},
		allowed: map[*record.RunStep]*record.RunStep{}, moved: begun.Stamp.UTC}
	var err error
	if st.params, err = def.Given(begun.Parameters); err != nil {
		return nil, err
	}
	if err := def.itemsFit(begun.Items); err != nil {
		return nil, err
	}
	r := &Run{def: def, begun: begun, judged: map[string]bool{}, tries: map[at]int{}, redone: map[at]int{}, by: begun.By}
	if begun.Balance != nil {
		r.balance = begun.Balance.ID
	}
	if err := r.roomFor(st); err != nil {
		return nil, err
	}
	st.enter(0)
	r.clean, r.state = st, st.clone()
	return r, nil
}

func notDone(format string, args ...any) *record.NotDone {
	return &record.NotDone{Why: fmt.Sprintf(format, args...)}
}

// Given reads parameters as they were given, in the order of the definition, with what holds where one is left out. The error is a
// *record.NotDone.
func (d *Definition) Given(given map[string]string) ([]formula.Value, error) {
	for _, name := range slices.Sorted(maps.Keys(given)) {
		if !slices.ContainsFunc(d.Parameters, func(p Parameter) bool { return p.Name == name }) {
			return nil, &record.NotDone{Why: fmt.Sprintf("the procedure %s has no parameter %s", d.Name, clip(name)), Field: "parameters"}
		}
	}
	all := make([]formula.Value, len(d.Parameters))
	st := &state{plan: d.plan, params: all}
	for i := range d.Parameters {
		p := &d.Parameters[i]
		text, there := given[p.Name]
		if !there {
			text = p.Default
		}
		field := "parameters." + p.Name
		if p.optional() && text == none {
			continue
		}
		if text == "" {
			return nil, &record.NotDone{Why: fmt.Sprintf("the parameter %s is missing", p.shown()), Field: field}
		}
		v, err := p.value(text, d.plan.params[i])
		if err != nil {
			return nil, &record.NotDone{Why: fmt.Sprintf("the parameter %s: %v", p.shown(), err), Field: field}
		}
		all[i] = v
		if why := st.outsideOf(p, v); why != "" {
			return nil, &record.NotDone{Why: fmt.Sprintf("the parameter %s is %s: %s", p.shown(), clip(text), why), Field: field}
		}
	}
	return all, nil
}

// none is the default of a quantity that need not be given.
const none = "none"

// optional says whether there may be no value at all.
func (p *Parameter) optional() bool { return p.Kind == "quantity" && p.Default == none }

func (p *Parameter) shown() string {
	if p.Label != "" {
		return p.Label + " (" + p.Name + ")"
	}
	return p.Name
}

// outsideOf says why a parameter is outside its limits, or "".
func (st *state) outsideOf(p *Parameter, v formula.Value) string {
	if v.Kind == formula.KindText {
		if !startsWith(v.Text, p.Limits.Text) {
			return "it has to begin with " + p.Limits.Text
		}
		return ""
	}
	for i, l := range p.Limits.all() {
		if l.text == "" || i >= warnBelow {
			continue
		}
		q, err := formula.ParseQuantity(l.text)
		if err != nil {
			return "its limits cannot be worked out: " + err.Error()
		}
		if c := compare(v.Quantity, q); i == atLeast && c < 0 || i == atMost && c > 0 {
			return []string{"at least ", "at most "}[i] + l.text + " is allowed"
		}
	}
	return ""
}

func compare(a, b formula.Quantity) int { return zeroed(a.N).Cmp(zeroed(b.N)) }

func zeroed(x *big.Rat) *big.Rat {
	if x == nil {
		return new(big.Rat)
	}
	return x
}

func (d *Definition) itemsFit(items []record.RunItem) error {
	field := func(format string, args ...any) error {
		return &record.NotDone{Why: fmt.Sprintf(format, args...), Field: "items"}
	}
	identifies := slices.ContainsFunc(d.Steps, func(s Step) bool { return s.Do == Identify && s.What != "reagent" })
	switch {
	case d.About == "nothing" && len(items) > 0:
		return field("the procedure %s is about no sample and no container, and %d are given", d.Name, len(items))
	case len(items) > d.Most:
		return field("%d items are given, and a run of %s is about %d at most", len(items), d.Name, d.Most)
	case d.About != "nothing" && len(items) == 0 && !identifies:
		return field("the run needs to be told what it is about: the procedure %s does not ask for it later", d.Name)
	}
	seen := map[string]bool{}
	for _, i := range items {
		for kind, id := range map[string]string{"sample": i.Sample, "container": i.Container} {
			if id == "" {
				continue
			}
			if err := plainText(id, 128); err != nil {
				return field("the id of a %s cannot be kept: %v", kind, err)
			}
			if seen[kind+id] {
				return field("the %s %s is given twice", kind, clip(id))
			}
			seen[kind+id] = true
		}
		switch {
		case d.About == "both" && i.Sample == "" && i.Container == "":
			return field("an item has neither a sample nor a container")
		case d.About == "samples" && i.Sample == "":
			return field("an item has no sample, and the procedure %s is about samples", d.Name)
		case d.About == "containers" && i.Container == "":
			return field("an item has no container, and the procedure %s is about containers", d.Name)
		}
	}
	return nil
}

// roomFor bounds how many entries the run can come to.
func (r *Run) roomFor(st *state) error {
	entries := 0
	for i := range st.plan.steps {
		times := 1
		if n := st.plan.steps[i].block; n >= 0 {
			b := &st.plan.blocks[n]
			times = b.times
			if b.param >= 0 {
				p := r.def.Parameters[b.param]
				if times = wholeOf(st.params[b.param]); times < 1 || times > MaxPasses {
					return &record.NotDone{Why: fmt.Sprintf("the parameter %s says how often a block is done: it has to be a whole number from 1 to %d", p.shown(), MaxPasses),
						Field: "parameters." + p.Name}
				}
			}
			if b.items {
				times = st.most
			}
		}
		entries += times
	}
	if entries > MaxEntries/2 {
		return notDone("the run would come to %d steps, and %d are the most", entries, MaxEntries/2)
	}
	return nil
}

// Clone gives a run that goes its own way from here.
func (r *Run) Clone() *Run {
	c := *r
	c.state = r.state.clone()
	c.all, c.counts, c.people = slices.Clone(r.all), slices.Clone(r.counts), slices.Clone(r.people)
	c.judged, c.tries, c.redone = maps.Clone(r.judged), maps.Clone(r.tries), maps.Clone(r.redone)
	return &c
}

// Apply takes an entry of the run that is in the journal. It keeps it, and nobody changes it any more.
func (r *Run) Apply(e *record.RunStep) {
	r.all = append(r.all, e)
	if e.Weighing != nil && e.Became != record.StepReplaced {
		r.judged[e.Weighing.ID] = true
	}
	r.remember(e)
	switch e.Became {
	case record.StepTaken, record.StepSkipped, record.StepAllowed:
		r.counts = append(r.counts, e)
		r.state.take(e)
	case record.StepReplaced:
		r.replaced(e)
	case record.RunMoved:
		r.balance, r.aside = "", false
		if e.Balance != nil {
			r.balance = e.Balance.ID
		}
	case record.RunPutAside:
		r.balance, r.aside = "", true
	case record.RunHandedOver:
		r.by = e.By
	}
}

// remember keeps who did something, and how often a step was tried.
func (r *Run) remember(e *record.RunStep) {
	for _, a := range []*record.Actor{&e.By, e.Second} {
		if a != nil && a.ID != "" && !slices.Contains(r.people, a.ID) && e.Became != record.StepUnused {
			r.people = append(r.people, a.ID)
		}
	}
	where, known := r.where(e)
	switch e.Became {
	case record.StepTaken, record.StepStopped:
		if known {
			r.tries[where]++
		}
		if e.Became == record.StepTaken && e.Weighing != nil && e.Balance != nil && e.Value != nil {
			r.latest = &taken{e.Balance.ID, shownWeight(e), e.Stamp.UTC}
		}
		if e.Became == record.StepTaken {
			r.last = e.By
		}
	}
}

func (r *Run) where(e *record.RunStep) (at, bool) {
	i, known := r.def.plan.byID[e.Step]
	return at{i, e.Pass}, known
}

// replaced takes an entry back that counted, by making the state anew of those before it.
func (r *Run) replaced(e *record.RunStep) {
	i := len(r.counts) - 1
	for ; i >= 0; i-- {
		if c := r.counts[i]; c.Step == e.Step && c.Pass == e.Pass {
			break
		}
	}
	if i < 0 {
		return
	}
	if where, known := r.where(e); known && r.counts[i] == r.state.pending {
		r.redone[where]++
	}
	r.counts = slices.Delete(r.counts, i, i+1)
	r.state = r.clean.clone()
	for _, c := range r.counts {
		r.state.take(c)
	}
}

// Close says that the run has ended, as record.RunComplete or record.RunAbandoned: nothing is done to it any more.
func (r *Run) Close(state string) { r.closed = state }

// Definition is what the run follows, and Begun the entry that it began with.
func (r *Run) Definition() *Definition    { return r.def }
func (r *Run) Begun() *record.RunBegun    { return r.begun }
func (r *Run) Items() []record.RunItem    { return slices.Clone(r.state.items) }
func (r *Run) Performer() record.Actor    { return r.by }
func (r *Run) Entries() []*record.RunStep { return slices.Clone(r.all) }

// Place is the balance that the run is at, "" for none, and whether it was put aside.
func (r *Run) Place() (balance string, aside bool) { return r.balance, r.aside }

// Has says whether a weighing, or a slip, is in an entry of the run already.
func (r *Run) Has(id string) bool { return r.judged[id] }

// Steps gives every entry, in order, and whether it counts.
func (r *Run) Steps() []FoundStep {
	counts := make(map[*record.RunStep]bool, len(r.counts))
	for _, c := range r.counts {
		counts[c] = true
	}
	all := make([]FoundStep, len(r.all))
	for i, e := range r.all {
		all[i] = FoundStep{Entry: e, Counts: counts[e]}
	}
	return all
}
