package gateway

import (
	"context"
	"errors"
	"fmt"
	"math/big"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/index"
	"weighpost/gateway/intake"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/runs"
	"weighpost/parsers/unit"
)

// lab is what runs ask of the lab around them.
type lab struct{ g *Gateway }

// Ready says whether it is known how balances are.
func (l lab) Ready() bool { return l.g.fitness != nil && l.g.fitness.Ready() }

// Facts are those of a balance as it is now.
func (l lab) Facts(balance string) (f procedure.Facts, known bool) {
	cfg := l.g.now.Load().cfg
	i := slices.IndexFunc(cfg.Balances, func(b intake.Config) bool { return b.ID == balance })
	if i < 0 {
		return f, false
	}
	b := &cfg.Balances[i]
	f = procedure.Facts{Balance: b.Describe(""), Unfit: l.g.unfitForRun(balance)}
	f.Air = l.g.airAt(f.Balance)
	for _, one := range []struct {
		from intake.Quantity
		to   **big.Rat
	}{{b.Readability, &f.Readability}, {b.Capacity, &f.Capacity}} {
		if !one.from.IsZero() {
			*one.to = unit.Convert(one.from.Number, one.from.Unit, gram)
		}
	}
	f.Minimum, f.NoMinimum = l.g.fitness.Minimum(balance)
	if in, err := l.g.intakeOf(balance); err == nil {
		if s := in.Status(); s.PortUp && s.Live.Value != nil {
			f.Shown = s.Live.Value
		}
	}
	return f, true
}

// unfitForRun says in a sentence why no weight of a balance may be used in a run now, or "".
func (g *Gateway) unfitForRun(balance string) string {
	out, _ := g.fitness.Out(balance)
	file, _ := g.fitness.File(balance)
	switch {
	case out && file.Reason != "":
		return fmt.Sprintf("Balance %s is out of service (%s): no run weighs on it. The balance itself can still show a weight.", balance, file.Reason)
	case out:
		return fmt.Sprintf("Balance %s is out of service: no run weighs on it. The balance itself can still show a weight.", balance)
	case g.fitness.Of(balance).State == record.InCheck:
		return fmt.Sprintf("A check of balance %s is under way: no run weighs on it until that has ended.", balance)
	}
	return ""
}

// ableOf says what of the rights that runs ask for whoever sends a request has.
func ableOf(ctx context.Context) runs.Able {
	who := rights.From(ctx)
	return runs.Able{Allow: who.May(rights.AllowOutside) == nil, Second: who.May(rights.SecondPerson) == nil}
}

// BeginRun begins a run.
func (g *Gateway) BeginRun(ctx context.Context, o console.RunOrder, by record.Actor) (console.RunView, error) {
	id, err := g.runs.Begin(ctx, runs.Order{Procedure: o.Procedure, Balance: o.Balance, Items: o.Items, Parameters: o.Parameters, Request: o.Request}, by)
	if id == "" {
		return console.RunView{}, err
	}
	if err == nil && o.Balance != "" {
		g.tie(ctx, o.Balance, by.ID)
	}
	return g.Run(ctx, id) // it has begun, whatever could not follow of itself
}

// ActOnRun does to a run what somebody wants.
func (g *Gateway) ActOnRun(ctx context.Context, id string, a console.RunAct, by record.Actor) (console.RunView, error) {
	if a.Take {
		if err := g.takeForRun(ctx, id, by); err != nil {
			return console.RunView{}, err
		}
		return g.Run(ctx, id)
	}
	act := procedure.Act{Scan: a.Scan, Answer: a.Answer, Unit: a.Unit, Read: a.Read, Done: a.Done, Yes: a.Yes, Late: a.Late, Back: a.Back, Repeat: a.Repeat, Allow: a.Allow,
		Ref: a.Ref, Leave: a.Leave, Aside: a.Aside, At: a.At, Over: a.Over, Abandon: a.Abandon}
	if err := g.actOnRun(ctx, id, act, by, ableOf(ctx)); err != nil {
		return console.RunView{}, err
	}
	return g.Run(ctx, id)
}

// actOnRun acts, and has the balances that it is about carry what the run weighs next before anybody is told that it is done.
func (g *Gateway) actOnRun(ctx context.Context, id string, act procedure.Act, by record.Actor, able runs.Able) error {
	before, _ := g.runs.Open(id)
	if err := g.runs.Act(ctx, id, act, by, able); err != nil {
		return err
	}
	after, _ := g.runs.Open(id)
	if before.Balance != "" && before.Balance != after.Balance {
		g.tie(ctx, before.Balance, by.ID)
	}
	if after.Balance != "" {
		g.tie(ctx, after.Balance, by.ID)
	}
	return nil
}

// takeForRun asks the balance of a run for its weight, and waits until it is known what the run makes of it.
func (g *Gateway) takeForRun(ctx context.Context, id string, by record.Actor) error {
	s, open := g.runs.Open(id)
	switch {
	case !open:
		return g.noOpenRun(id)
	case s.By.ID != by.ID:
		return &record.NotDone{Why: s.By.Shown() + " performs the run " + id + ": take it over first"}
	case s.Next.Waiting != procedure.ForWeight:
		return &record.NotDone{Why: "no weight is wanted now: the run " + id + " waits for something else"}
	case s.Balance == "":
		return &record.NotDone{Why: "the run " + id + " is at no balance: say at which it goes on"}
	}
	g.tie(ctx, s.Balance, by.ID)
	_, err := g.Read(ctx, s.Balance, record.ReadRequest{Record: true, Where: by.Where, Mark: by.Request})
	if settled := g.runs.Settled(ctx, id); err == nil {
		err = settled
	}
	var refused *record.AskRefused
	var silent *record.NoAnswer
	var early *record.ContextRefused
	if errors.As(err, &refused) || errors.As(err, &silent) || errors.As(err, &early) {
		return &record.NotDone{Why: err.Error()}
	}
	return err
}

// noOpenRun says why a run that is not open cannot be acted on.
func (g *Gateway) noOpenRun(id string) error {
	if e, known := g.runs.EndedRun(id); known {
		state, _ := g.standing(id, e.State, e.Verdict)
		return &record.NotDone{Why: "the run " + id + " has ended: it is " + state}
	}
	return record.ErrNoRun
}

// RunAt gives the run that is at a balance now.
func (g *Gateway) RunAt(balance string) (console.RunView, bool) {
	id := g.runs.At(balance)
	if id == "" {
		return console.RunView{}, false
	}
	s, open := g.runs.Open(id)
	return g.openView(s), open
}

// Run gives one, open or ended, with every step.
func (g *Gateway) Run(ctx context.Context, id string) (console.RunView, error) {
	if s, open := g.runs.Open(id); open {
		return g.openView(s), nil
	}
	e, known := g.runs.EndedRun(id)
	entry := e.Entry
	if !known {
		var err error
		if entry, err = g.olderRun(ctx, id); err != nil {
			return console.RunView{}, err
		}
	}
	return g.endedView(ctx, entry)
}

// olderRun finds the end of a run that is not known by heart any more.
func (g *Gateway) olderRun(ctx context.Context, id string) (found record.EntryRef, err error) {
	err = g.eachEntry(ctx, index.Filter{Kinds: []record.Kind{record.KindRunEnded}}, func(e record.Entry) {
		if of(e) == id {
			found = record.EntryRef{Seq: e.Seq, ID: e.ID}
		}
	})
	if err == nil && found.ID == "" {
		err = record.ErrNoRun
	}
	return found, err
}
