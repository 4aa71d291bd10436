package procedure

import (
	"fmt"

	"weighpost/parsers/strict"
)

// flow is in which order steps may come, and what has been passed at each of them in any case.
type flow struct {
	next   [][]int // by step: what may come next; len(steps) is the end
	passed [][]bool
}

// follow makes the flow, and tells of steps that are never reached.
func (c *checker) follow(r *strict.Report) *flow {
	n := len(c.plan.steps)
	f := &flow{next: make([][]int, n)}
	for i := range c.plan.steps {
		s := &c.plan.steps[i]
		if s.Do != Decide {
			f.next[i] = []int{i + 1}
			continue
		}
		f.next[i] = []int{s.then, s.other}
		if s.then <= i || s.other <= i {
			f.next[i] = append(f.next[i], i+1) // once it has led back as often as it may
		}
		if s.When != "" {
			f.next[i] = append(f.next[i], i+1)
		}
	}
	f.passed = f.always(n)
	for i := range n {
		if f.passed[i] == nil {
			r.Index(i).Fault(fmt.Sprintf("the step %.40s is never reached: no step leads to it", c.plan.steps[i].ID), "")
		}
	}
	return f
}

// always finds for each step which steps have been passed on every way to it; nil: there is no way to it.
func (f *flow) always(n int) [][]bool {
	at := make([][]bool, n+1)
	at[0] = make([]bool, n)
	for changed := true; changed; {
		changed = false
		for i := range n {
			if at[i] == nil {
				continue
			}
			for _, to := range f.next[i] {
				changed = meet(at, to, at[i], i) || changed
			}
		}
	}
	return at
}

// meet takes a way to a step into account: from another step, with what was passed before it.
func meet(at [][]bool, to int, before []bool, from int) (changed bool) {
	if at[to] == nil {
		at[to] = append([]bool(nil), before...)
		at[to][from] = true
		return true
	}
	for i, had := range at[to] {
		if had && !before[i] && i != from {
			at[to][i] = false
			changed = true
		}
	}
	return changed
}

// reached says whether a step has been passed on every way to a place.
func (c *checker) reached(step int, at place) bool {
	switch {
	case at.step < 0 || c.flow == nil:
		return false
	case at.whole:
		last := c.plan.blocks[at.block].last
		return step == last || c.flow.passed[last] != nil && c.flow.passed[last][step]
	}
	return c.flow.passed[at.step] != nil && c.flow.passed[at.step][step]
}

// inLoop says whether a decision leads back to a step, or past it.
func (c *checker) inLoop(step int) bool {
	for i := range c.plan.steps {
		s := &c.plan.steps[i]
		if s.Do == Decide && i >= step && (s.then <= step || s.other <= step) && min(s.then, s.other) <= i {
			return true
		}
	}
	return false
}
