package procedure

import (
	"maps"
	"slices"

	"weighpost/gateway/formula"
	"weighpost/gateway/record"
)

// at is one step in one pass of its block; pass 0: outside blocks, or before the item is identified.
type at struct{ step, pass int }

// state is where a run is. It is what its entries that count make of its beginning, and nothing else.
type state struct {
	plan   *plan
	params []formula.Value
	items  []record.RunItem
	grows  bool // items may join as they are identified
	most   int

	at      at // len(steps): all is done
	values  map[at]*value
	prior   map[at]*value // the time before, in a loop
	done    map[at]bool   // passes of a block that are done: step is the number of the block
	left    map[int]bool  // items that are left out, by number from 1
	passes  map[int]int   // how many passes a block of times has, by its number
	short   map[int]bool  // blocks whose condition still held when there could be no more
	ledBack map[at]int    // how often a decision led back
	bound   map[string]string
	pending *record.RunStep // its value is outside its limits, and nobody has let the run go on yet
	allowed map[*record.RunStep]*record.RunStep
	moved   record.UTC // when the run came to the step that is next

	// anew holds what was worked out anew in a review, by the entry that found it first; nil: nothing was. It changes what a value is, and never
	// the way through the steps.
	anew map[*record.RunStep]anew
}

func (st *state) clone() *state {
	c := *st
	c.items = slices.Clone(st.items)
	c.values, c.prior, c.done, c.left = maps.Clone(st.values), maps.Clone(st.prior), maps.Clone(st.done), maps.Clone(st.left)
	c.passes, c.short, c.ledBack, c.bound = maps.Clone(st.passes), maps.Clone(st.short), maps.Clone(st.ledBack), maps.Clone(st.bound)
	c.allowed = maps.Clone(st.allowed)
	return &c
}

func (st *state) ended() bool { return st.at.step >= len(st.plan.steps) }

func (st *state) step() *planned { return &st.plan.steps[st.at.step] }

// identifies says whether the run waits to be told which item of a block is next.
func (st *state) identifies() bool {
	if st.ended() || st.step().block < 0 {
		return false
	}
	b := &st.plan.blocks[st.step().block]
	return b.items && st.at.step == b.first
}

// item is a copy of the one whose step it is, or nil: more becomes known of an item while others still read what they were told.
func (st *state) item() *record.RunItem {
	n := st.at.pass
	if !st.ended() && (st.step().block < 0 || !st.plan.blocks[st.step().block].items) {
		n = 0
		if len(st.items) == 1 && st.most == 1 {
			n = 1
		}
	}
	if n < 1 || n > len(st.items) || st.identifies() {
		return nil
	}
	item := st.items[n-1]
	return &item
}

// take moves the state on by an entry that counts.
func (st *state) take(e *record.RunStep) {
	i, known := st.plan.byID[e.Step]
	if !known {
		return
	}
	s, where := &st.plan.steps[i], at{i, e.Pass}
	switch e.Became {
	case record.StepTaken:
		if s.Do == Identify && e.Item != nil {
			st.identified(s, e)
		}
		if v, ok := valueOf(s, e); ok {
			st.values[where] = v
		}
		st.bind(s, e)
		if failed(e) && (s.outside() != "note" || s.Do == Decide || unknownMinimum(e)) {
			st.at, st.pending = where, e
			return
		}
		st.moved = e.Stamp.UTC
		st.on(where, e)
	case record.StepAllowed:
		if p := st.pending; p != nil {
			st.allowed[p], st.pending = e, nil
			st.moved = e.Stamp.UTC
			st.on(where, p)
		}
	case record.StepSkipped:
		delete(st.values, where)
		st.moved, st.pending = e.Stamp.UTC, nil // of the item that is left out
		st.skip(s, where, e)
	}
}

// failed says whether a value is outside its limits, so that the run may not simply go on.
func failed(e *record.RunStep) bool {
	return slices.ContainsFunc(e.Verdicts, func(v record.Verdict) bool { return v.Failed() && record.RuleStops(v.Rule) })
}

// unknownMinimum says whether a weight could not be held against the minimum weight where the procedure refuses one below it: what may go on with a
// value outside its limits without being asked may not go on with that.
func unknownMinimum(e *record.RunStep) bool {
	return slices.ContainsFunc(e.Verdicts, func(v record.Verdict) bool { return v.Rule == record.RuleKnown && v.Failed() })
}

// identified takes an item as it is known from here on.
func (st *state) identified(s *planned, e *record.RunStep) {
	n := 1
	if s.block >= 0 && st.plan.blocks[s.block].items {
		n = e.Pass
	}
	switch {
	case s.What == "reagent":
	case n <= len(st.items):
		st.items[n-1] = *e.Item
	case n == len(st.items)+1:
		st.items = append(st.items, *e.Item)
	}
}

// bind remembers which balance a name stands for, from its first use on.
func (st *state) bind(s *planned, e *record.RunStep) {
	if s.on != "" && e.Balance != nil && st.bound[s.on] == "" {
		st.bound[s.on] = e.Balance.ID
	}
}

// skip goes on behind a step that is left out, or an item.
func (st *state) skip(s *planned, where at, e *record.RunStep) {
	if s.block < 0 || !st.plan.blocks[s.block].items {
		st.on(where, e)
		return
	}
	b := &st.plan.blocks[s.block]
	switch {
	case where.step != b.first:
		st.on(where, e)
		return
	case where.pass > 0: // the item is left out of the run
		st.left[where.pass] = true
	default: // there are no more items
		st.grows = false
	}
	st.at = at{b.first, 0}
	st.settleBlock(s.block)
}

// on goes to the step that follows one that is done.
func (st *state) on(from at, e *record.RunStep) {
	s := &st.plan.steps[from.step]
	to := from.step + 1
	if s.Do == Decide && e.Became == record.StepTaken {
		switch i, known := st.plan.byID[e.Next]; {
		case e.Next == "end":
			to = len(st.plan.steps)
		case known:
			to = i
		}
		if to <= from.step {
			st.ledBack[from]++
			st.again(from, to)
		}
	}
	if s.block >= 0 {
		b := &st.plan.blocks[s.block]
		if to > b.last || to < b.first {
			st.done[at{s.block, from.pass}] = true
			if b.items {
				st.at = at{b.first, 0}
			} else {
				st.at = at{b.first, from.pass + 1}
			}
			st.settleBlock(s.block)
			return
		}
		st.at = at{to, from.pass}
		return
	}
	st.enter(to)
}

// enter goes to a step outside blocks, or to the first of a block.
func (st *state) enter(to int) {
	st.at = at{to, 0}
	if st.ended() {
		return
	}
	n := st.step().block
	if n < 0 {
		return
	}
	if b := &st.plan.blocks[n]; !b.items {
		st.at.pass = 1
		if st.passes[n] == 0 {
			st.passes[n] = b.times
			if b.param >= 0 {
				st.passes[n] = wholeOf(st.params[b.param])
			}
		}
	}
	st.settleBlock(n)
}

// settleBlock leaves a block all of whose passes are done, or makes more of them by its replicate rule.
func (st *state) settleBlock(n int) {
	b := &st.plan.blocks[n]
	if b.items {
		if st.grows && len(st.items) < st.most && n == st.plan.first {
			return
		}
		for i := range st.items {
			if !st.done[at{n, i + 1}] && !st.left[i+1] {
				return
			}
		}
		st.enter(b.last + 1)
		return
	}
	if st.at.pass <= st.passes[n] {
		return
	}
	if b.more != nil {
		// A condition that cannot be worked out yet counts as met: rather one weighing more than one too few.
		out, _, err := st.work(b.more, 0)
		if err != nil || out.Value.Truth {
			if st.passes[n] < b.Most {
				st.passes[n] = min(st.passes[n]+b.More, b.Most)
				return
			}
			st.short[n] = true
		}
	}
	st.enter(b.last + 1)
}

// again begins steps anew that a decision leads back to: what they found becomes what they found the time before.
func (st *state) again(from at, to int) {
	for where, v := range st.values {
		s := &st.plan.steps[where.step]
		if where.step < to || where.step > from.step || s.block >= 0 && s.block == st.plan.steps[from.step].block && where.pass != from.pass {
			continue
		}
		st.prior[where] = v
		delete(st.values, where)
	}
	for n := range st.plan.blocks {
		b := &st.plan.blocks[n]
		if b.first < to || b.last > from.step || n == st.plan.steps[from.step].block {
			continue
		}
		maps.DeleteFunc(st.done, func(k at, _ bool) bool { return k.step == n })
		delete(st.passes, n)
		delete(st.short, n)
	}
	maps.DeleteFunc(st.ledBack, func(k at, _ int) bool {
		return k.step >= to && k.step < from.step && (k.pass == from.pass || st.plan.steps[from.step].block < 0)
	})
}

func wholeOf(v formula.Value) int {
	n := v.Quantity.Value()
	if !n.IsInt() || !n.Num().IsInt64() {
		return 0
	}
	return int(n.Num().Int64())
}

// lookup gives the value of a name in a pass, with the texts that the record shows.
func (st *state) lookup(one ref, pass int) (formula.Value, []string, bool) {
	switch one.how {
	case given:
		v := st.params[one.index]
		return v, []string{v.String()}, v.Kind != 0
	case several:
		return st.list(one)
	}
	where := at{one.index, pass}
	if one.how == single || st.plan.steps[one.index].block < 0 {
		where.pass = 0
	}
	v := st.now(st.values[where])
	if one.how == earlier {
		v = st.now(st.prior[where])
	}
	if v == nil {
		return formula.Value{}, nil, false
	}
	return v.v, []string{v.text}, true
}

// list gives the values of all passes that count, in their order.
func (st *state) list(one ref) (formula.Value, []string, bool) {
	list, texts := []formula.Quantity{}, []string{}
	for _, v := range st.passesOf(one.index) {
		list, texts = append(list, v.v.Quantity), append(texts, v.text)
	}
	return formula.OfList(list), texts, true
}

// passesOf gives what a step of a block found in each pass, without items that are left out.
func (st *state) passesOf(step int) (all []*value) {
	b := &st.plan.blocks[st.plan.steps[step].block]
	n := st.passes[st.plan.steps[step].block]
	if b.items {
		n = len(st.items)
	}
	for pass := 1; pass <= n; pass++ {
		if v := st.now(st.values[at{step, pass}]); v != nil && (!b.items || !st.left[pass]) {
			all = append(all, v)
		}
	}
	return all
}
