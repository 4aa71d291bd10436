package checks

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// What a check waits for.
const (
	ForAnswer  = "answer"  // of the person, to the question
	ForZero    = "zero"    // the empty pan, settled at zero
	ForWeight  = "place"   // the weight
	ForLift    = "lift"    // the pan has to be empty before the weight is placed again, or another one
	ForRest    = "wait"    // something is on the pan, and it has not come to rest
	ForConfirm = "confirm" // the reading is far off: is it the right weight?
	ForNothing = "ended"
)

// Instruction is the one thing to do next.
type Instruction struct {
	Step, Of int    // from 1
	Name     string // of the step
	Say      string
	Waiting  string // one of the words above
	Weights  []record.ReferenceWeight
	Expected record.Mass
	Taken    string   // what was taken last: "200.0001 g"
	Note     string   // what is odd about what the balance shows
	Choices  []string // where the person is to choose
	Repeats  int      // how often the step before may still be done again
}

// Attempt is one attempt at a step, to be recorded. Its fields are those of record.CheckStep.
type Attempt struct {
	Step, Number int
	Name, Became string
	Weights      []string
	Expected     record.Mass
	Value        *record.Value
	Grams        *big.Rat
	Frame        []byte
	Settled      string
	Answer       string
	Reason       string
}

// Run is one check under way. It is not safe for use by several goroutines.
type Run struct {
	def      Definition
	facts    Facts
	loads    []loaded
	steps    []step
	settler  settler
	at       int              // index of the step that is next
	taken    map[int]*Attempt // by index of step
	tries    map[int]int
	repeated map[int]int
	leaving  *big.Rat         // what has to leave the pan before the step begins; nil: nothing
	doubted  *Attempt         // waits for the person
	undone   map[int]*Attempt // by index of step: what was replaced, until another reading takes its place
	kind     string           // of weight, as the balance called the last empty pan that was taken: gross, net, unknown
	tookAt   time.Time        // when the last reading was taken
	note     string
	stopped  string // why it ended without a verdict
}

// Answers to a question.
const (
	Yes = "yes"
	No  = "no"
)

// Open begins a check of a balance, with the weights that were chosen for it. def has been filled in by Complete and validated.
func Open(def Definition, f Facts, chosen []Weight) (*Run, error) {
	if f.Readability == nil || f.Readability.Sign() <= 0 {
		return nil, fmt.Errorf("the readability of the balance %s is not known, and without it nothing can be judged: write it into the balance's settings", f.Balance.ID)
	}
	loads, err := loadsOf(&def, f, chosen)
	if err != nil {
		return nil, err
	}
	r := &Run{def: def, facts: f, loads: loads, steps: planOf(&def, loads), taken: map[int]*Attempt{}, tries: map[int]int{}, repeated: map[int]int{},
		undone: map[int]*Attempt{}}
	r.settler = settler{rule: def.Settle, d: f.Readability}
	for i := range loads {
		if _, _, err := r.limitAt(loads[i].grams, loads[i].value); err != nil && def.Measures != Repeatability {
			return nil, err
		}
	}
	return r, nil
}

// Definition is what the check is made of.
func (r *Run) Definition() Definition { return r.def }

// Weights are those that the check uses, each once, in the order of their use.
func (r *Run) Weights() (all []Weight) {
	for _, l := range r.loads {
		for _, w := range l.weights {
			if !slices.ContainsFunc(all, func(o Weight) bool { return o.ID == w.ID }) {
				all = append(all, w)
			}
		}
	}
	return all
}

func (r *Run) done() bool { return r.stopped != "" || r.at == len(r.steps) }

// Instruction says what is to be done next.
func (r *Run) Instruction() Instruction {
	i := Instruction{Step: min(r.at+1, len(r.steps)), Of: len(r.steps), Note: r.note, Waiting: ForNothing}
	if r.at > 0 {
		if last := r.taken[r.at-1]; last != nil && last.Value != nil {
			i.Taken = last.Value.Shown()
		}
		if r.steps[r.at-1].kind != asking {
			i.Repeats = *r.def.Repeats - r.repeated[r.at-1]
		}
	}
	if r.done() {
		i.Repeats = 0
		return i
	}
	s := r.steps[r.at]
	i.Name, i.Say = s.name, s.say
	if s.expected != nil {
		i.Expected = grams(s.expected)
	}
	for _, w := range s.weights {
		i.Weights = append(i.Weights, w.ReferenceWeight)
	}
	switch {
	case r.doubted != nil:
		about := i.Expected
		if s.nominal != nil { // nobody takes a certificate's digits to know a wrong weight
			about = grams(s.nominal)
		}
		i.Waiting, i.Choices = ForConfirm, []string{"another weight goes on", "it is the right one"}
		i.Say = fmt.Sprintf("The balance shows %s, and about %s was expected. Is the right weight on the pan?", r.doubted.Value.Shown(), about)
	case s.kind == asking:
		i.Waiting, i.Choices = ForAnswer, []string{Yes, No}
	case r.leaving != nil:
		i.Waiting, i.Say = ForLift, "Lift the weight off. Then: "+s.say
	case len(r.settler.run) > 0 && s.kind == placing && r.lies(r.settler.run[len(r.settler.run)-1].Grams):
		i.Waiting = ForRest
	case s.kind == zeroing:
		i.Waiting = ForZero
	default:
		i.Waiting = ForWeight
	}
	return i
}

func grams(x *big.Rat) record.Mass { return record.Mass(metrology.Exact(x) + " g") }

// margin is how far from the expected value a reading may be and still be taken without a question. It never reaches what lay on the pan
// before, so that a weight that nobody has placed, changed or lifted is not taken for the next one.
func (r *Run) margin(at int) *big.Rat {
	s := r.steps[at]
	off := new(big.Rat).Mul(s.expected, big.NewRat(int64(r.def.DoubtAt), 100))
	off = metrology.Max(off, new(big.Rat).Mul(r.facts.Readability, big.NewRat(50, 1)))
	apart := r.least()
	if s.kind == placing {
		apart = new(big.Rat).Set(s.expected)
		if before := r.steps[at-1]; before.kind == placing && !s.lifts {
			apart.Sub(apart, before.expected)
		}
		apart.Abs(apart)
	}
	if third := apart.Quo(apart, big.NewRat(3, 1)); third.Cmp(off) < 0 {
		return third
	}
	return off
}

// least is the least load of the check.
func (r *Run) least() *big.Rat {
	least := r.loads[0].value
	for _, l := range r.loads {
		if l.value.Cmp(least) < 0 {
			least = l.value
		}
	}
	return new(big.Rat).Set(least)
}

// lies says whether something is on the pan: more than a tenth of the least load of the check.
func (r *Run) lies(x *big.Rat) bool {
	tenth := r.least()
	return new(big.Rat).Abs(x).Cmp(tenth.Quo(tenth, big.NewRat(10, 1))) > 0
}

// other says whether a reading is of another weight than those that the check goes by. A tare is never what lies on the pan; and where a
// balance prints gross and net one after the other, only the one counts as which the empty pan was taken.
func (r *Run) other(x Reading) bool {
	kind := x.Value.Kind
	if kind == "tare" || kind == "preset tare" {
		return true
	}
	if r.steps[r.at].kind == zeroing || r.kind == "" || kind == r.kind {
		return false
	}
	if x.At.Sub(r.tookAt) > tooSoon {
		r.note = fmt.Sprintf("The balance shows %s as %s, and the empty pan was %s: only that counts.", x.Value.Shown(), kind, r.kind)
	}
	return true
}

// Reading takes what the balance shows, and gives the attempts that it ends, to be recorded before anything else is shown.
func (r *Run) Reading(x Reading) []Attempt {
	if r.done() || r.doubted != nil || r.steps[r.at].kind == asking {
		return nil
	}
	s := r.steps[r.at]
	if r.other(x) || !r.left(x) {
		return nil
	}
	how := r.settler.feed(x)
	if how == "" {
		return nil
	}
	off := new(big.Rat).Sub(x.Grams, s.expected)
	if off.Abs(off).Cmp(r.margin(r.at)) <= 0 {
		return r.take(x, how)
	}
	if !r.lies(x.Grams) || s.kind == zeroing {
		r.note = ""
		switch {
		case s.kind == zeroing && r.lies(x.Grams):
			r.note = fmt.Sprintf("The balance shows %s, and its pan has to be empty.", x.Value.Shown())
		case x.How == PrintKey:
			r.note = fmt.Sprintf("The balance printed %s, which was not taken: %s", x.Value.Shown(), s.say)
		}
		return nil
	}
	a := r.attempt(x, how, record.AttemptDoubted)
	r.doubted = &a
	return []Attempt{a}
}

// tooSoon is within what time after a reading was taken nobody has lifted a weight and placed it again.
const tooSoon = time.Second

// left says whether what had to leave the pan has left it. A print by its key is meant: nobody presses it while lifting a weight. Only one
// that comes at once after the last is that of a key pressed twice.
func (r *Run) left(x Reading) bool {
	if r.leaving == nil {
		return true
	}
	half := new(big.Rat).Quo(new(big.Rat).Abs(r.leaving), big.NewRat(2, 1))
	if lies := x.Grams.Cmp(half) >= 0; lies && (x.How != PrintKey || x.At.Sub(r.tookAt) < tooSoon) {
		return false
	}
	r.leaving = nil
	r.settler.reset()
	return true
}

func (r *Run) attempt(x Reading, how, became string) Attempt {
	s := r.steps[r.at]
	r.tries[r.at]++
	a := Attempt{Step: r.at + 1, Number: r.tries[r.at], Name: s.name, Became: became, Expected: grams(s.expected), Value: &x.Value, Grams: x.Grams, Frame: x.Frame, Settled: how}
	for _, w := range s.weights {
		a.Weights = append(a.Weights, w.ID)
	}
	return a
}

func (r *Run) take(x Reading, how string) []Attempt {
	a := r.attempt(x, how, record.AttemptTaken)
	r.count(r.at, &a)
	r.tookAt = x.At
	r.next()
	return []Attempt{a}
}

// count has an attempt be what a step found.
func (r *Run) count(at int, a *Attempt) {
	r.taken[at] = a
	delete(r.undone, at)
	if a.Value != nil && r.steps[at].kind == zeroing {
		r.kind = a.Value.Kind
	}
}

func (r *Run) next() {
	r.at++
	r.note, r.doubted, r.leaving = "", nil, nil
	if !r.done() && r.steps[r.at].lifts {
		r.leaving = r.steps[r.at].expected
	}
	r.settler.reset()
}

// Answer takes the answer to a question. No ends the check without a verdict: nothing is measured on a balance that is not ready.
func (r *Run) Answer(answer string) ([]Attempt, error) {
	switch {
	case r.done() || r.steps[r.at].kind != asking:
		return nil, fmt.Errorf("no question is open in this check")
	case answer != Yes && answer != No:
		return nil, fmt.Errorf("%.20q is no answer: yes or no", answer)
	}
	s := r.steps[r.at]
	r.tries[r.at]++
	a := Attempt{Step: r.at + 1, Number: r.tries[r.at], Name: s.name, Became: record.AttemptAnswered, Answer: answer, Reason: s.say}
	if answer == No {
		r.stopped = "answered no: " + s.say
		return []Attempt{a}, nil
	}
	r.count(r.at, &a)
	r.next()
	return []Attempt{a}, nil
}

// Confirm answers whether the right weight is on the pan. If it is, the reading is taken as it is, far off or not, with the person's word
// for it; if not, the step waits for the other weight, once this one has left the pan.
func (r *Run) Confirm(right bool) ([]Attempt, error) {
	if r.doubted == nil {
		return nil, fmt.Errorf("no reading of this check is in doubt")
	}
	a := *r.doubted
	r.doubted = nil
	r.settler.reset()
	if !right {
		r.leaving, r.tookAt = a.Grams, time.Time{}
		return nil, nil
	}
	r.tries[r.at]++
	a.Number, a.Became, a.Reason = r.tries[r.at], record.AttemptTaken, "the person at the balance says that it is the right weight"
	r.count(r.at, &a)
	r.next()
	return []Attempt{a}, nil
}

// Repeat has the step before done again, where the definition allows it. What it found stays, as replaced.
func (r *Run) Repeat(reason string) ([]Attempt, error) {
	before := r.at - 1
	switch {
	case strings.TrimSpace(reason) == "":
		return nil, fmt.Errorf("a step is done again for a reason: give one")
	case r.done() || before < 0 || r.taken[before] == nil || r.steps[before].kind == asking:
		return nil, fmt.Errorf("there is no reading that could be taken again")
	case r.repeated[before] >= *r.def.Repeats:
		return nil, fmt.Errorf("this step was done again %d times, and the check allows no more: go on, or end the check", r.repeated[before])
	}
	r.undone[before] = r.taken[before]
	a := *r.taken[before]
	a.Became, a.Reason = record.AttemptReplaced, reason
	delete(r.taken, before)
	r.repeated[before]++
	r.at, r.doubted, r.note = before, nil, ""
	if r.leaving = nil; r.steps[before].kind == placing {
		r.leaving = a.Grams // it lies there still: it has to be lifted and placed again
	}
	r.settler.reset()
	return []Attempt{a}, nil
}

// Lost says that the balance cannot be heard: what was taken stays, and the step that was under way begins again.
func (r *Run) Lost() {
	r.settler.reset()
	r.doubted = nil
	r.note = "The balance cannot be heard. The check goes on with this step once it can."
}

// Heard says that the balance is heard again.
func (r *Run) Heard() { r.note = "" }

// Stop ends the check without a verdict; but where a reading that was taken is beyond its limit already, the check has failed.
func (r *Run) Stop(reason string) {
	if !r.done() {
		r.stopped = reason
	}
}
