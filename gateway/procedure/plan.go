package procedure

import (
	"weighpost/gateway/formula"
)

// plan is a definition that was found to be without mistakes, made ready for runs. It does not change.
type plan struct {
	steps  []planned
	blocks []block
	params []formula.Type
	byID   map[string]int
	first  int // the block over items in which items may join the run, if any; -1: none
}

// planned is a step with its formulas read.
type planned struct {
	*Step
	block int          // -1: none
	typ   formula.Type // of its value; Kind 0: it has none
	unit  string       // of an answer

	when, target, formula, cond *expression
	tolerance                   *expression
	percent                     bool // the tolerance is a part of the target
	less                        *ref
	removing                    bool // less is what this weighing is taken from
	limits                      [4]*expression
	say                         []piece
	within                      []*excluding
	then, other                 int    // where a decision leads; len(steps): the end
	on                          string // the name of the balance
}

// The places of limits in planned.limits.
const (
	atLeast = iota
	atMost
	warnBelow
	warnAbove
)

// block is steps from first to last, done several times.
type block struct {
	*Block
	first, last int
	items       bool
	times       int // 0: by the parameter
	param       int // -1: none
	more        *expression
}

// piece is a part of a sentence: text, or the value of a name.
type piece struct {
	text  string
	value *expression
}

// excluding is a part of a formula that leaves out values that lie too far off: within(list, k).
type excluding struct {
	list ref
	kept *expression
}

// how a name's value is found.
type how uint8

const (
	given   how = iota // a parameter
	single             // of a step outside blocks
	same               // of this pass, or of this item in another block
	several            // of all passes of a block that count
	earlier            // the time before, in a loop
)

// ref is a name in a formula, and where its value comes from.
type ref struct {
	name  string // as the formula library sees it
	shown string // as it was written: m, before(m)
	index int    // of the parameter, or of the step
	how   how
	typ   formula.Type
}

// expression is a formula, or a plain quantity.
type expression struct {
	text  string
	plain *formula.Value
	f     *formula.Formula
	refs  []ref
}

func (e *expression) typ() formula.Type {
	if e.plain != nil {
		return formula.In(e.plain.Quantity.Unit)
	}
	return e.f.Type()
}

func (s *planned) hasValue() bool { return s.typ.Kind != 0 }

// weighs says whether a step takes a weight from a balance.
func (s *planned) weighs() bool { return s.Do == Weigh || s.Do == Empty }

// acts says whether a step is done by weighpost itself, with nobody's help.
func (s *planned) itself() bool { return s.Do == Compute || s.Do == Decide }
