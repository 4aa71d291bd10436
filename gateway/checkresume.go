package gateway

import (
	"context"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/checks"
	"weighpost/gateway/record"
)

// missedMost is how often in a row a step may be missing from the journal, with nothing on its way, before the check is rebuilt without it.
const missedMost = 5

// resumeChecks looks after the checks that run, until ctx ends: it rebuilds those that a stop or a crash cut off, tells them whether their balance
// can be heard, ends those whose definition is another now, and ends each that has come to its end, once all its steps are in the journal.
func (g *Gateway) resumeChecks(ctx context.Context) {
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if !g.fitness.Ready() {
			continue
		}
		g.resumeAll(ctx)
		for balance, one := range g.checks.all() {
			g.lookAt(ctx, balance, one)
		}
	}
}

// all copies the checks that have begun.
func (c *checking) all() map[string]*checked {
	c.mu.Lock()
	defer c.mu.Unlock()
	list := map[string]*checked{}
	for balance, one := range c.now {
		if one.run != nil {
			list[balance] = one
		}
	}
	return list
}

// lookAt does to one check what has to be done.
func (g *Gateway) lookAt(ctx context.Context, balance string, one *checked) {
	in, err := g.intakeOf(balance)
	if err != nil {
		if errors.Is(err, record.ErrNoBalance) { // it goes on where it was once the balance is configured again
			g.checks.drop(balance, one)
		}
		return
	}
	facts, known := g.factsOf(balance)
	def, defined := g.now.Load().cfg.Definition(one.begun.Check.Definition)
	_, steps := g.fitness.Running(balance)
	status := in.Status()
	quiet := status.Waiting == 0 && g.fitness.Seq() >= g.journal.Head()

	g.checks.mu.Lock()
	one.hear(status.PortUp)
	switch {
	case time.Since(one.touched) > idleCheck:
		one.run.Stop(fmt.Sprintf("nobody went on with it for %s", idleCheck))
	case !defined || def.Hash() != one.begun.Check.Hash:
		one.run.Stop("the check " + one.begun.Check.Definition + " is not defined any more as it was when it began")
	case known && !sameFacts(facts, one.facts):
		one.run.Stop("the settings of the balance are not any more as they were when it began")
	}
	switch {
	case one.acting || len(steps) >= one.steps || !quiet:
		one.missed = 0
	default:
		if one.missed++; one.missed > missedMost {
			one.stale = true
		}
	}
	rebuild := one.stale && !one.acting && quiet
	ended := !one.stale && !one.acting && one.run.Ended() != nil && len(steps) >= one.steps
	g.checks.mu.Unlock()

	switch {
	case rebuild:
		g.checks.drop(balance, one) // and the next look finds it in the journal
	case ended:
		if err := g.endCheck(ctx, balance, one); err != nil && ctx.Err() == nil {
			g.log.Warn("the end of a check could not be recorded yet", "balance", balance, "err", err)
		}
	}
}

// sameFacts says whether what a check is judged by is as it was.
func sameFacts(a, b checks.Facts) bool {
	same := func(x, y *big.Rat) bool { return x == nil && y == nil || x != nil && y != nil && x.Cmp(y) == 0 }
	return a.Class == b.Class && same(a.Readability, b.Readability) && same(a.Interval, b.Interval) && same(a.Capacity, b.Capacity)
}

// endCheck records what a check found. Every step of it is known from the journal.
func (g *Gateway) endCheck(ctx context.Context, balance string, one *checked) error {
	g.checks.mu.Lock()
	found, by := one.run.Ended(), one.by
	g.checks.mu.Unlock()
	e := &record.CheckEnded{Check: one.begun.Check, Balance: one.begun.Balance, Outcome: found.Outcome, Results: found.Results, Weights: one.begun.Weights,
		Reason: found.Reason, MinimumWeight: found.Minimum, By: by}
	g.weightsAtTheEnd(e)
	limit, cancel := context.WithTimeout(ctx, fitnessPatience)
	defer cancel()
	err := g.fitness.End(limit, e)
	var refused *record.NotDone
	if err == nil || errors.As(err, &refused) || errors.Is(err, record.ErrNoBalance) {
		g.checks.drop(balance, one)
	}
	return err
}

// weightsAtTheEnd looks at the weights of a check once more when it ends: one that was withdrawn meanwhile, or whose certificate is overdue since
// midnight, lets no check pass that could not begin with it now. A check that failed has failed: what is to be said of the weight is said.
func (g *Gateway) weightsAtTheEnd(e *record.CheckEnded) {
	rule, day := g.now.Load().cfg.Fitness.Weights, g.today()
	e.Weights = slices.Clone(e.Weights)
	for i := range e.Weights {
		used := &e.Weights[i]
		k, known := g.fitness.Weight(used.ID)
		if !known {
			continue
		}
		doubt, err := rule.Begin(&k, "", day)
		switch {
		case err != nil && (e.Outcome == record.CheckPassed || e.Outcome == record.CheckWarned):
			e.Outcome, e.Results, e.MinimumWeight = record.CheckAborted, []record.CheckResult{}, nil
			e.Reason = "while it ran, it became so: " + err.Error()
			return
		case err != nil:
			doubt = err.Error()
		}
		if doubt != "" && !strings.Contains(used.Doubt, doubt) {
			used.Doubt = strings.TrimPrefix(used.Doubt+"; "+doubt, "; ")
		}
	}
}

// fitnessPatience is how long the end of a check may take to be in the journal before the other checks are looked at again.
const fitnessPatience = 10 * time.Second

// errNotRead says that a balance is not read at this moment.
var errNotRead = errors.New("the balance is not read now")

// resumeAll goes on with every check that the journal knows of and that does not run here. One that cannot go on, since its definition is another
// now, ends without a verdict.
func (g *Gateway) resumeAll(ctx context.Context) {
	for _, b := range g.lookedAfter() {
		balance := b.Describe.ID
		begun, steps := g.fitness.Running(balance)
		if begun == nil || g.checks.has(balance) {
			continue
		}
		run, facts, err := g.reopen(begun, steps)
		if errors.Is(err, errNotRead) {
			continue
		}
		if err == nil {
			one := &checked{run: run, begun: begun, facts: facts, steps: len(steps), by: begun.By, touched: time.Now()}
			one.view()
			g.checks.begin(balance, one)
			continue
		}
		e := &record.CheckEnded{Check: begun.Check, Balance: begun.Balance, Outcome: record.CheckAborted, Results: []record.CheckResult{}, Weights: begun.Weights,
			Reason: "it was cut off, and cannot go on: " + err.Error(), By: record.Actor{By: record.ActorSoftware}}
		limit, cancel := context.WithTimeout(ctx, fitnessPatience)
		if err := g.fitness.End(limit, e); err != nil && ctx.Err() == nil {
			g.log.Warn("a check that was cut off could not be ended", "balance", balance, "err", err)
		}
		cancel()
	}
}

// has says whether a check of a balance runs, or is about to begin.
func (c *checking) has(balance string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now[balance] != nil
}

// reopen rebuilds a check from what the journal knows of it.
func (g *Gateway) reopen(begun *record.CheckBegun, steps []*record.CheckStep) (*checks.Run, checks.Facts, error) {
	facts, ok := g.factsOf(begun.Balance.ID)
	if !ok {
		return nil, facts, errNotRead
	}
	def, known := g.now.Load().cfg.Definition(begun.Check.Definition)
	if !known || def.Hash() != begun.Check.Hash {
		return nil, facts, fmt.Errorf("the check %s is not defined any more as it was", begun.Check.Definition)
	}
	var chosen []checks.Weight
	for _, used := range begun.Weights {
		w, err := checks.NewWeight(used)
		if err != nil {
			return nil, facts, err
		}
		chosen = append(chosen, w)
	}
	run, err := checks.Open(def, facts, chosen)
	if err != nil {
		return nil, facts, err
	}
	return run, facts, run.Replay(steps)
}
