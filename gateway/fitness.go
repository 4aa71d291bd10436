package gateway

import (
	"context"
	"fmt"
	"time"

	"weighpost/gateway/fitness"
	"weighpost/gateway/health"
	"weighpost/gateway/intake"
	"weighpost/gateway/record"
)

// openFitness begins to read how balances are, and to move them where their schedule has them. Balances are read meanwhile.
func (g *Gateway) openFitness(ctx context.Context) {
	g.fitness = fitness.New(fitness.Options{Dir: g.now.Load().cfg.Journal.Folder, Journal: g.journal, Stamp: g.stamp, Log: g.log,
		Zone: time.Local, Balances: g.lookedAfter, Balance: g.lookedAfterAs, Changed: g.fitnessChanged})
	var following group
	following.start(ctx, nil, g.fitness.Run)
	following.start(ctx, nil, g.resumeChecks)
	following.start(ctx, nil, g.tellFitness)
	g.fitness.Await(ctx, fitnessAwaited) // or the first weighings would be held back, since nobody knows yet
	g.life.onStop("what is known of the fitness of balances", g.hasty("what is known of the fitness of balances", following.stop))
}

// fitnessAwaited is how long a start waits until it is known which balances are out of service. A journal of millions, read without what was
// written down of it, takes longer: balances are read meanwhile, and what they print is held back.
const fitnessAwaited = 3 * time.Second

// lookedAfter lists the balances that are configured now, each with how it is to be looked after.
func (g *Gateway) lookedAfter() []fitness.Balance { return g.after().list }

// lookedAfterAs finds one of them.
func (g *Gateway) lookedAfterAs(id string) (b fitness.Balance, ok bool) {
	after := g.after()
	i, ok := after.at[id]
	if ok {
		b = after.list[i]
	}
	return b, ok
}

// after is asked for with each line of each balance: it is made once for a configuration, and nobody changes it.
func (g *Gateway) after() *lookedAfter {
	now := g.now.Load()
	if made := g.looked.Load(); made != nil && made.of == now {
		return made
	}
	made := &lookedAfter{of: now, at: map[string]int{}}
	for i := range now.cfg.Balances {
		b := &now.cfg.Balances[i]
		made.at[b.ID] = len(made.list)
		made.list = append(made.list, fitness.Balance{Describe: b.Describe(""), Config: now.cfg.Fitness.Of(b.ID)})
	}
	g.looked.Store(made)
	return made
}

// lookedAfter are the balances of one configuration.
type lookedAfter struct {
	of   *running
	list []fitness.Balance
	at   map[string]int // by id: where in the list
}

// tellFitness says at the start what is due, overdue, out of service and not judged, once the journal says it: nothing has changed then.
func (g *Gateway) tellFitness(ctx context.Context) {
	for tick := time.NewTicker(100 * time.Millisecond); ; {
		if g.fitness.Ready() {
			tick.Stop()
			break
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			tick.Stop()
			return
		}
	}
	for _, b := range g.lookedAfter() {
		g.fitnessChanged(b.Describe.ID, g.fitness.Of(b.Describe.ID))
	}
}

// forgetFitness takes back what was said of a balance that is not configured any more.
func (g *Gateway) forgetFitness(balance string) {
	g.board.ClearAll(balance, health.CheckDue, health.CheckOverdue, health.OutOfService, health.FailureUnjudged)
}

// fit is what intakes ask.
type fit struct{ g *Gateway }

func (f fit) Now(balance string) record.Fitness              { return f.g.fitness.Now(balance) }
func (f fit) Refusal(balance string) string                  { return f.g.fitness.Refusal(balance) }
func (f fit) Judge(w *record.Weighing) []record.Verdict      { return f.g.fitness.Judge(w) }
func (f fit) Offer(o intake.Offered) (entries []record.Body) { return f.g.checks.offer(o) }

// fitnessChanged has whoever looks after a balance see that it is in another state.
func (g *Gateway) fitnessChanged(balance string, _ record.Fitness) {
	g.telling.Lock() // so that what is said last is what was so last
	defer g.telling.Unlock()
	now := g.fitness.Of(balance)
	for _, code := range []string{health.CheckDue, health.CheckOverdue, health.OutOfService} {
		if code != conditionOf(now.State) {
			g.board.Clear(code, balance)
		}
	}
	g.tellUnjudged(balance)
	file, ok := g.fitness.File(balance)
	if !ok {
		return
	}
	switch now.State {
	case record.CheckDue:
		g.board.Raise(health.Condition{
			Code: health.CheckDue, Subject: balance, Severity: health.Notice,
			Sentence: fmt.Sprintf("A check of balance %s is due: %s.", balance, file.Reason),
			Remedy:   "Check it with reference weights, on its page or at the bench.",
		})
	case record.CheckOverdue:
		g.board.Raise(health.Condition{
			Code: health.CheckOverdue, Subject: balance, Severity: health.Warning,
			Sentence: fmt.Sprintf("A check of balance %s is overdue: %s. Its weighings say so.", balance, file.Reason),
			Remedy:   "Check it with reference weights before it is used.",
		})
	case record.OutOfService:
		g.board.Raise(health.Condition{
			Code: health.OutOfService, Subject: balance, Severity: health.Error,
			Sentence: fmt.Sprintf("Balance %s is out of service (%s). It can still show a weight: do not weigh on it.", balance, file.Reason),
			Remedy:   "A check that passes puts it back into service, or somebody with the right and a reason.",
		})
	}
}

// conditionOf is the condition that a state is, or "".
func conditionOf(state string) string {
	switch state {
	case record.CheckDue:
		return health.CheckDue
	case record.CheckOverdue:
		return health.CheckOverdue
	case record.OutOfService:
		return health.OutOfService
	}
	return ""
}

// tellUnjudged says of a balance whether a failed check waits to be closed.
func (g *Gateway) tellUnjudged(balance string) {
	file, _ := g.fitness.File(balance)
	for _, f := range file.Failures {
		if !f.Closed {
			g.board.Raise(health.Condition{
				Code: health.FailureUnjudged, Subject: balance, Severity: health.Warning,
				Sentence: fmt.Sprintf("The check %s of balance %s failed, and what was weighed since the last good one has not been judged.", f.Check, balance),
				Remedy:   "Judge those weighings on the page of the balance, and close the failed check.",
			})
			return
		}
	}
	g.board.Clear(health.FailureUnjudged, balance)
}
