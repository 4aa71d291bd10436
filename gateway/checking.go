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
	mu  sync.Mutex
	now map[string]*checked
}

// checked is a check that runs.
type checked struct {
	run     *checks.Run
	begun   *record.CheckBegun
	steps   int // that are recorded, or on their way to the journal
	by      record.Actor
	touched time.Time
}

// put notes that a check runs.
func (c *checking) put(balance string, one *checked) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.now == nil {
		c.now = map[string]*checked{}
	}
	c.now[balance] = one
}

func (c *checking) drop(balance string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.now, balance)
}

// offer gives a reading to the check that runs on its balance, and makes entries of what the check takes. It does not block.
func (c *checking) offer(o intake.Offered) (entries []record.Body) {
	c.mu.Lock()
	defer c.mu.Unlock()
	one := c.now[o.Balance]
	if one == nil {
		return nil
	}
	one.run.Heard()
	for _, a := range one.run.Reading(checks.Reading{At: o.At, Grams: o.Grams, Value: o.Value, Frame: o.Frame, How: o.How}) {
		entries = append(entries, one.entry(a, one.by, o.Stamp))
	}
	if len(entries) > 0 {
		one.touched = o.At
	}
	return entries
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
	if err := g.fitness.Begin(ctx, begun); err != nil {
		return console.CheckView{}, err
	}
	one := &checked{run: run, begun: begun, by: by, touched: time.Now()}
	g.checks.put(balance, one)
	g.checks.mu.Lock()
	defer g.checks.mu.Unlock()
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
	day := g.stamp().UTC.Time().In(time.Local).Format(time.DateOnly)
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

// CheckOn gives the check that runs on a balance.
func (g *Gateway) CheckOn(balance string) (console.CheckView, bool) {
	g.checks.mu.Lock()
	defer g.checks.mu.Unlock()
	one := g.checks.now[balance]
	if one == nil {
		return console.CheckView{}, false
	}
	if in, err := g.intakeOf(balance); err == nil && !in.Status().PortUp {
		one.run.Lost()
	}
	return one.view(), true
}

// view shows a check. The checks are locked.
func (one *checked) view() console.CheckView {
	next, b := one.run.Instruction(), one.begun
	v := console.CheckView{Check: b.Check, Balance: b.Balance, Begun: b.Stamp.UTC, By: b.By, Weights: append([]record.WeightUsed{}, b.Weights...),
		Step: next.Step, Of: next.Of, Name: next.Name, Say: next.Say, Waiting: next.Waiting, Expected: next.Expected, Taken: next.Taken, Note: next.Note,
		Choices: next.Choices, Repeats: next.Repeats}
	if ended := one.run.Ended(); ended != nil {
		v.Outcome = ended.Outcome
	}
	return v
}

// ActOnCheck has a person act on the check that runs on a balance, and records it.
func (g *Gateway) ActOnCheck(ctx context.Context, balance string, act console.CheckAct, by record.Actor) (console.CheckView, error) {
	one, bodies, err := g.checks.act(balance, act, by, g.stamp())
	if err != nil {
		return console.CheckView{}, err
	}
	for _, e := range bodies {
		if err := g.fitness.Step(ctx, e); err != nil {
			return console.CheckView{}, err
		}
	}
	g.checks.mu.Lock()
	defer g.checks.mu.Unlock()
	return one.view(), nil
}

func (c *checking) act(balance string, act console.CheckAct, by record.Actor, stamp record.Stamp) (one *checked, bodies []*record.CheckStep, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if one = c.now[balance]; one == nil {
		return nil, nil, errNoCheck(balance)
	}
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
		return nil, nil, &record.NotDone{Why: err.Error()}
	}
	for _, a := range attempts {
		bodies = append(bodies, one.entry(a, by, stamp))
	}
	one.by, one.touched = by, time.Now()
	return one, bodies, nil
}

// resumeChecks rebuilds the checks that a stop or a crash cut off, and then ends each check that has come to its end, once all its steps
// are in the journal, until ctx ends.
func (g *Gateway) resumeChecks(ctx context.Context) {
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	resumed := false
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if !resumed && g.fitness.Ready() {
			g.resumeAll(ctx)
			resumed = true
		}
		for _, balance := range g.checks.over(time.Now()) {
			if err := g.endCheck(ctx, balance); err != nil && ctx.Err() == nil {
				g.log.Warn("the end of a check could not be recorded yet", "balance", balance, "err", err)
			}
		}
	}
}

// over lists the balances whose check has ended, or to which nobody came back.
func (c *checking) over(now time.Time) (list []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for balance, one := range c.now {
		if now.Sub(one.touched) > idleCheck {
			one.run.Stop(fmt.Sprintf("nobody went on with it for %s", idleCheck))
		}
		if one.run.Ended() != nil {
			list = append(list, balance)
		}
	}
	return list
}

// endCheck records what a check found, once every step of it is known from the journal.
func (g *Gateway) endCheck(ctx context.Context, balance string) error {
	g.checks.mu.Lock()
	one := g.checks.now[balance]
	g.checks.mu.Unlock()
	if one == nil {
		return nil
	}
	_, steps := g.fitness.Running(balance)
	if len(steps) < one.steps {
		return nil // they are on their way
	}
	found := one.run.Ended()
	e := &record.CheckEnded{Check: one.begun.Check, Balance: one.begun.Balance, Outcome: found.Outcome, Results: found.Results, Weights: one.begun.Weights,
		Reason: found.Reason, MinimumWeight: found.Minimum, By: one.by}
	err := g.fitness.End(ctx, e)
	var refused *record.NotDone
	if err == nil || errors.As(err, &refused) {
		g.checks.drop(balance)
	}
	return err
}

// resumeAll goes on with every check that was under way. One that cannot go on, since its definition or a weight is another now, ends
// without a verdict.
func (g *Gateway) resumeAll(ctx context.Context) {
	for _, b := range g.lookedAfter() {
		begun, steps := g.fitness.Running(b.Describe.ID)
		if begun == nil {
			continue
		}
		if _, runs := g.CheckOn(b.Describe.ID); runs {
			continue // it began since the start
		}
		run, err := g.reopen(begun, steps)
		if err != nil {
			e := &record.CheckEnded{Check: begun.Check, Balance: begun.Balance, Outcome: record.CheckAborted, Results: []record.CheckResult{}, Weights: begun.Weights,
				Reason: "it was cut off, and cannot go on: " + err.Error(), By: record.Actor{By: record.ActorSoftware}}
			if err := g.fitness.End(ctx, e); err != nil {
				g.log.Warn("a check that was cut off could not be ended", "balance", b.Describe.ID, "err", err)
			}
			continue
		}
		g.checks.put(b.Describe.ID, &checked{run: run, begun: begun, steps: len(steps), by: begun.By, touched: time.Now()})
	}
}

func (g *Gateway) reopen(begun *record.CheckBegun, steps []*record.CheckStep) (*checks.Run, error) {
	def, known := g.now.Load().cfg.Definition(begun.Check.Definition)
	if !known || def.Hash() != begun.Check.Hash {
		return nil, fmt.Errorf("the check %s is not defined any more as it was", begun.Check.Definition)
	}
	facts, ok := g.factsOf(begun.Balance.ID)
	if !ok {
		return nil, record.ErrNoBalance
	}
	var chosen []checks.Weight
	for _, used := range begun.Weights {
		w, err := checks.NewWeight(used)
		if err != nil {
			return nil, err
		}
		chosen = append(chosen, w)
	}
	run, err := checks.Open(def, facts, chosen)
	if err != nil {
		return nil, err
	}
	return run, run.Replay(steps)
}
