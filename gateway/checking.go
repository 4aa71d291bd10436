package gateway

import (
	"context"
	"errors"
	"fmt"
	"math/big"
	"sync"
	"time"

	"weighpost/gateway/checks"
	"weighpost/gateway/console"
	"weighpost/gateway/fitness"
	"weighpost/gateway/intake"
	"weighpost/gateway/record"
	"weighpost/parsers/unit"
)

// idleCheck is after how long without a step a check ends without a verdict: nobody comes back to it.
const idleCheck = 4 * time.Hour

// checking are the checks that run, one a balance at most.
type checking struct {
	mu  sync.Mutex // a leaf: nothing is called while it is held that takes another lock
	now map[string]*checked
}

// checked is a check that runs.
type checked struct {
	run     *checks.Run
	begun   *record.CheckBegun
	facts   checks.Facts
	steps   int // that are recorded, or on their way to the journal
	by      record.Actor
	touched time.Time
	// acting: an act is on its way to the journal, or the beginning is (run is nil then). Readings are not taken meanwhile, so that steps stand
	// in the journal in the order in which they were taken.
	acting bool
	// stale: what the journal knows of it may differ from what is known here. It is rebuilt from there.
	stale  bool
	missed int  // times in a row that steps were missing although nothing was on its way
	lost   bool // the balance cannot be heard
	// shown is how it stood when all that it had taken was in the journal. Nothing that is not there is said to be taken.
	shown console.CheckView
}

// begin takes the place of the check of a balance, or says that it is taken.
func (c *checking) begin(balance string, one *checked) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now == nil {
		c.now = map[string]*checked{}
	}
	if c.now[balance] != nil {
		return false
	}
	c.now[balance] = one
	return true
}

// drop forgets a check, unless another one has come in its place.
func (c *checking) drop(balance string, one *checked) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now[balance] == one {
		delete(c.now, balance)
	}
}

// on gives the check of a balance once it has begun, or nil. The checks are locked.
func (c *checking) on(balance string) *checked {
	if one := c.now[balance]; one != nil && one.run != nil {
		return one
	}
	return nil
}

// offer gives a reading to the check that runs on its balance, and makes entries of what the check takes. It does not block.
func (c *checking) offer(o intake.Offered) (entries []record.Body) {
	c.mu.Lock()
	defer c.mu.Unlock()
	one := c.on(o.Balance)
	if one == nil || one.acting || one.stale {
		return nil
	}
	one.hear(true)
	for _, a := range one.run.Reading(checks.Reading{At: o.At, Grams: o.Grams, Value: o.Value, Frame: o.Frame, How: o.How}) {
		entries = append(entries, one.entry(a, one.by, o.Stamp))
	}
	if len(entries) > 0 {
		one.touched = o.At
	}
	return entries
}

// hear tells the check whether its balance can be heard. The checks are locked.
func (one *checked) hear(up bool) {
	switch {
	case !up && !one.lost:
		one.run.Lost()
	case up && one.lost:
		one.run.Heard()
	}
	one.lost = !up
}

// entry writes an attempt as an entry of the check. The checks are locked.
func (one *checked) entry(a checks.Attempt, by record.Actor, stamp record.Stamp) *record.CheckStep {
	one.steps++
	e := a.Entry()
	e.Check, e.Balance, e.By, e.Stamp = one.begun.Check, one.begun.Balance, by, stamp
	return &e
}

// BeginCheck begins a check of a balance. The error is a *record.NotDone, record.ErrNoBalance or record.ErrNoWeight, or says why it does not
// work now.
func (g *Gateway) BeginCheck(ctx context.Context, balance string, o console.CheckOrder, by record.Actor) (console.CheckView, error) {
	cfg := g.now.Load().cfg
	def, known := cfg.Definition(o.Definition)
	if !known {
		return console.CheckView{}, &record.NotDone{Why: fmt.Sprintf("there is no check %.63q in the settings", o.Definition)}
	}
	facts, ok := g.factsOf(balance)
	if !ok {
		return console.CheckView{}, record.ErrNoBalance
	}
	begun := &record.CheckBegun{Check: record.CheckRef{Definition: def.Name, Hash: def.Hash()}, Balance: facts.Balance, Class: facts.Class, Why: o.Why, By: by}
	if begun.Why == "" {
		begun.Why = record.CheckAsked
	}
	run, err := g.openCheck(def, facts, o.Weights, begun)
	if err != nil {
		return console.CheckView{}, err
	}
	one := &checked{begun: begun, facts: facts, by: by, acting: true}
	if !g.checks.begin(balance, one) {
		return console.CheckView{}, &record.NotDone{Why: "a check of " + balance + " is under way: end it first"}
	}
	if err := g.fitness.Begin(ctx, begun); err != nil {
		g.checks.drop(balance, one) // where it was recorded after all, it is found in the journal
		return console.CheckView{}, err
	}
	g.checks.mu.Lock()
	defer g.checks.mu.Unlock()
	one.run, one.touched, one.acting = run, time.Now(), false
	return one.view(), nil
}

// openCheck chooses the weights of a check, and refuses those that the lab's rule does not want. begun gets the weights that are used.
func (g *Gateway) openCheck(def checks.Definition, facts checks.Facts, ids []string, begun *record.CheckBegun) (*checks.Run, error) {
	var chosen []checks.Weight
	known := map[string]fitness.KnownWeight{}
	for _, id := range ids {
		k, ok := g.fitness.Weight(id)
		if !ok {
			return nil, record.ErrNoWeight
		}
		w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: k.ReferenceWeight, Entry: k.Entry})
		if err != nil {
			return nil, &record.NotDone{Why: err.Error()}
		}
		known[id] = k
		chosen = append(chosen, w)
	}
	run, err := checks.Open(def, facts, chosen)
	if err != nil {
		return nil, &record.NotDone{Why: err.Error()}
	}
	rule, doubts := g.now.Load().cfg.Fitness.Weights, run.Doubts()
	day := g.today()
	begun.Weights = begun.Weights[:0]
	for _, w := range run.Weights() {
		k := known[w.ID]
		doubt, err := rule.Begin(&k, doubts[w.ID], day)
		if err != nil {
			return nil, err
		}
		used := w.WeightUsed
		used.Doubt = doubt
		begun.Weights = append(begun.Weights, used)
	}
	return run, nil
}

// factsOf is what the settings say of a balance.
func (g *Gateway) factsOf(balance string) (f checks.Facts, ok bool) {
	for _, b := range g.now.Load().balances {
		if b.cfg.ID != balance || b.intake == nil {
			continue
		}
		f = checks.Facts{Balance: b.cfg.Describe(""), Class: b.cfg.AccuracyClass}
		for _, one := range []struct {
			from intake.Quantity
			to   **big.Rat
		}{{b.cfg.Readability, &f.Readability}, {b.cfg.VerificationInterval, &f.Interval}, {b.cfg.Capacity, &f.Capacity}} {
			if !one.from.IsZero() {
				*one.to = unit.Convert(one.from.Number, one.from.Unit, gram)
			}
		}
		return f, true
	}
	return f, false
}

var gram, _ = unit.ByCode("g")

// errNoCheck says that no check runs on a balance.
func errNoCheck(balance string) error {
	return &record.NotDone{Why: "no check runs on balance " + balance}
}

// CheckOn gives the check that runs on a balance. An intake that offers a reading holds its own lock, so it is asked before the checks are locked.
func (g *Gateway) CheckOn(balance string) (console.CheckView, bool) {
	up := true
	if in, err := g.intakeOf(balance); err == nil {
		up = in.Status().PortUp
	}
	g.checks.mu.Lock()
	want := 0
	if one := g.checks.on(balance); one != nil {
		want = one.steps
	}
	g.checks.mu.Unlock()
	begun, steps := g.fitness.Running(balance)
	g.checks.mu.Lock()
	defer g.checks.mu.Unlock()
	one := g.checks.on(balance)
	if one == nil {
		return console.CheckView{}, false
	}
	if !up {
		one.hear(false)
	}
	if begun == nil && want == one.steps || len(steps) >= one.steps { // begun is nil once its end is in the journal
		return one.view(), true
	}
	return one.unrecorded(), true
}

// unrecorded shows a check as it was before it took what is on its way to the journal. The checks are locked.
func (one *checked) unrecorded() console.CheckView {
	v := one.shown
	v.Waiting, v.Choices, v.Repeats, v.Unheard = "wait", nil, 0, one.lost
	v.Note = "What the balance showed is not in the journal yet: wait."
	return v
}

// view shows a check all of whose steps are in the journal. The checks are locked.
func (one *checked) view() console.CheckView {
	next, b := one.run.Instruction(), one.begun
	v := console.CheckView{Check: b.Check, Balance: b.Balance, Begun: b.Stamp.UTC, By: b.By, Weights: append([]record.WeightUsed{}, b.Weights...),
		Step: next.Step, Of: next.Of, Name: next.Name, Say: next.Say, Waiting: next.Waiting, Expected: next.Expected, Taken: next.Taken, Note: next.Note,
		Choices: next.Choices, Repeats: next.Repeats, Unheard: one.lost}
	if ended := one.run.Ended(); ended != nil {
		v.Outcome = ended.Outcome
	}
	one.shown = v
	return v
}

// ActOnCheck has a person act on the check that runs on a balance, and records it. The check goes by what is in the journal: where that is not
// known, it is rebuilt from there.
func (g *Gateway) ActOnCheck(ctx context.Context, balance string, act console.CheckAct, by record.Actor) (console.CheckView, error) {
	one, err := g.checks.hold(balance)
	if err != nil {
		return console.CheckView{}, err
	}
	defer g.checks.let(one)
	if err := g.recorded(ctx, balance, one); err != nil {
		return console.CheckView{}, err
	}
	bodies, err := g.checks.act(one, act, by, g.stamp())
	if err != nil {
		return console.CheckView{}, err
	}
	for _, e := range bodies {
		if err := g.fitness.Step(ctx, e); err != nil {
			g.checks.mu.Lock()
			one.stale = true
			g.checks.mu.Unlock()
			return console.CheckView{}, err
		}
	}
	g.checks.mu.Lock()
	view, ended := one.view(), one.run.Ended() != nil
	g.checks.mu.Unlock()
	if ended { // nobody is told so before it is in the journal
		if err := g.endCheck(ctx, balance, one); err != nil {
			return console.CheckView{}, err
		}
	}
	return view, nil
}

// hold takes a check for one act.
func (c *checking) hold(balance string) (*checked, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	one := c.on(balance)
	switch {
	case one == nil:
		return nil, errNoCheck(balance)
	case one.acting || one.stale:
		return nil, &record.NotDone{Why: "what was done to this check before is still being recorded: look how it stands, and try again"}
	}
	one.acting = true
	return one, nil
}

func (c *checking) let(one *checked) {
	c.mu.Lock()
	defer c.mu.Unlock()
	one.acting = false
}

// recorded waits until the steps that a check has taken are in the journal.
func (g *Gateway) recorded(ctx context.Context, balance string, one *checked) error {
	for {
		_, steps := g.fitness.Running(balance)
		g.checks.mu.Lock()
		want := one.steps
		g.checks.mu.Unlock()
		if len(steps) >= want {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("the readings that the check took are not recorded yet: try again in a moment (%w)", ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func (c *checking) act(one *checked, act console.CheckAct, by record.Actor, stamp record.Stamp) (bodies []*record.CheckStep, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	var attempts []checks.Attempt
	switch {
	case act.Answer != "":
		attempts, err = one.run.Answer(act.Answer)
	case act.Right != nil:
		attempts, err = one.run.Confirm(*act.Right)
	case act.Repeat != "":
		attempts, err = one.run.Repeat(act.Repeat)
	case act.Stop != "":
		one.run.Stop(act.Stop)
	default:
		err = errors.New("nothing is said that could be done: answer, right, repeat or stop")
	}
	if err != nil {
		return nil, &record.NotDone{Why: err.Error()}
	}
	for _, a := range attempts {
		bodies = append(bodies, one.entry(a, by, stamp))
	}
	one.by, one.touched = by, time.Now()
	return bodies, nil
}
