package gateway

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/runs"
)

// of is the id of the run that an entry about a run is of.
func of(e record.Entry) string {
	var one struct{ Run record.RunRef }
	_ = json.Unmarshal(e.JSON, &one) // of no run, then
	return one.Run.ID
}

// glance is an open run in few words.
func glance(s runs.Standing) console.RunGlance {
	return console.RunGlance{RunRef: s.Begun.Run, Title: s.Title, State: record.RunOpen, Begun: s.Begun.Stamp.UTC, By: s.By, Balance: s.Balance, Items: s.Items,
		Request: s.Begun.Request, Say: saysNext(s), Due: s.Next.Due, Aside: s.Aside}
}

// saysNext is what an open run waits for, in words.
func saysNext(s runs.Standing) string {
	if s.Faulty != nil {
		return s.Faulty.Error()
	}
	return s.Next.Say
}

// openView shows an open run.
func (g *Gateway) openView(s runs.Standing) console.RunView {
	v := console.RunView{RunGlance: glance(s), Seq: s.Seq, Parameters: s.Begun.Parameters, Next: g.instruction(s), Steps: stepViews(s.Found, s.Def),
		Results: append([]record.RunResult{}, s.Results.Results...), Left: s.Results.LeftOut, Unused: s.Results.Unused}
	v.LeftOut = len(v.Left)
	if s.Def != nil {
		v.Cautions = s.Def.Cautions
	}
	return v
}

// stepViews shows every attempt.
func stepViews(found []procedure.FoundStep, def *procedure.Definition) []console.RunStepView {
	labels := map[string]string{}
	if def != nil {
		for _, step := range def.Steps {
			labels[step.ID] = step.Label
		}
	}
	list := []console.RunStepView{}
	for _, f := range found {
		list = append(list, console.RunStepView{RunStep: f.Entry, Label: labels[f.Entry.Step], Counts: f.Counts})
	}
	return list
}

// instruction shows the one thing to do next.
func (g *Gateway) instruction(s runs.Standing) console.RunInstruction {
	n := s.Next
	v := console.RunInstruction{Step: n.Step, Do: n.Do, Number: n.Number, Of: n.Of, Block: n.Block, Pass: n.Pass, Passes: n.Passes, Say: saysNext(s), Item: n.Item,
		Waiting: cmp.Or(n.Waiting, procedure.ForNothing), Kind: n.Kind, Unit: n.Unit, Choices: n.Choices, On: n.On, Balance: n.Balance, Limits: n.Limits, Due: n.Due, Left: n.Left,
		MayBack: n.MayBack, Repeats: n.Repeats, Note: cmp.Or(n.Explains, n.Note)}
	if t := n.Target; t != nil {
		v.Target = &console.RunTarget{Unit: t.Unit, Wanted: t.Wanted, Low: t.Low, High: t.High, Offset: t.Offset, Removing: t.Removing, Readability: t.Readability}
	}
	for _, u := range n.Undoes {
		v.Undoes = append(v.Undoes, console.RunUndone{Step: u.Entry.Step, Label: u.Label, Item: u.Entry.Item, Value: u.Entry.Value, For: u.For})
	}
	if n.Found != nil {
		v.Outside = n.Found.Entry
	}
	if s.Balance == "" {
		v.Offers, v.NoOffer = g.offers(s, procedure.Facts{})
		return v
	}
	facts, known := lab{g}.Facts(s.Balance)
	v.Unfit = facts.Unfit
	v.Offers, v.NoOffer = g.offers(s, facts)
	in, err := g.intakeOf(s.Balance)
	v.Unheard = !known || err != nil || !in.Status().PortUp
	if n.Waiting == procedure.ForWeight && known && v.Unfit == "" && !v.Unheard {
		v.CanTake = g.canAsk(s.Balance)
	}
	return v
}

// canAsk says whether a balance can be asked for its weight.
func (g *Gateway) canAsk(balance string) bool {
	for _, b := range g.now.Load().cfg.Balances {
		if b.ID == balance {
			return b.Ask != nil
		}
	}
	return false
}

// endedView shows a run that has ended, from its entries.
func (g *Gateway) endedView(ctx context.Context, entry record.EntryRef) (v console.RunView, err error) {
	e, b := &record.RunEnded{}, &record.RunBegun{}
	if err = g.readBody(ctx, entry, e); err != nil {
		return v, err
	}
	if err = g.readBody(ctx, e.Begun, b); err != nil {
		return v, err
	}
	var steps []*record.RunStep
	for _, ref := range e.Steps {
		s := &record.RunStep{}
		if err = g.readBody(ctx, ref, s); err != nil {
			return v, err
		}
		steps = append(steps, s)
	}
	replayed := g.runs.Replay(b, steps)
	v = console.RunView{RunGlance: console.RunGlance{RunRef: e.Run, Title: replayed.Title, State: e.State, Begun: b.Stamp.UTC, Ended: &e.Stamp.UTC, By: replayed.By,
		Balance: e.Subject(), Items: e.Items, Request: e.Request, Verdict: e.Verdict, LeftOut: len(e.LeftOut)}, Seq: e.Seq, Parameters: b.Parameters,
		Next: console.RunInstruction{Waiting: procedure.ForNothing}, Steps: stepViews(replayed.Found, replayed.Def), Results: e.Results, Left: e.LeftOut, Unused: e.Unused, Reason: e.Reason, Ended: e}
	if replayed.Def != nil {
		v.Cautions = replayed.Def.Cautions
	}
	return g.asReviewed(ctx, v)
}

// asReviewed gives a run that has ended the state, results and verdict that it has by now.
func (g *Gateway) asReviewed(ctx context.Context, v console.RunView) (console.RunView, error) {
	v.State, v.Verdict = g.standing(v.ID, v.State, v.Verdict)
	results, corrected, err := g.review.Results(ctx, v.ID)
	switch {
	case errors.Is(err, record.ErrNoRun): // it has just ended, and its review is being read
	case err != nil:
		return v, err
	case corrected:
		v.Results = results
	}
	return v, nil
}

// standing gives the state and the verdict that a run has by now, which ended with these.
func (g *Gateway) standing(run, state, verdict string) (string, string) {
	if now, stands := g.review.Stands(run); now != "" && now != record.RunOpen {
		return now, stands
	}
	return state, verdict
}

// Runs lists runs, newest first.
func (g *Gateway) Runs(_ context.Context, q console.RunsAsked) (console.RunList, error) {
	type one struct {
		seq    uint64
		people []string
		glance console.RunGlance
	}
	var all []one
	for _, s := range g.runs.OpenRuns() {
		all = append(all, one{s.Begun.Seq, []string{s.By.ID, s.Begun.By.ID}, glance(s)})
	}
	for _, e := range g.runs.Ended() {
		at := e.At
		state, verdict := g.standing(e.ID, e.State, e.Verdict)
		all = append(all, one{e.Begun.Seq, append([]string{e.By.ID}, e.People...), console.RunGlance{RunRef: e.RunRef, Title: e.Title, State: state, Begun: e.BegunAt, Ended: &at, By: e.By,
			Balance: e.Balance, Items: e.Items, Request: e.Request, Verdict: verdict, LeftOut: e.LeftOut}})
	}
	slices.SortFunc(all, func(a, b one) int { return cmp.Compare(b.seq, a.seq) })
	list, limit := console.RunList{Runs: []console.RunGlance{}}, min(max(q.Limit, 1), 1000)
	begun := q.Before == ""
	for _, o := range all {
		switch {
		case !begun:
			begun = o.glance.ID == q.Before
		case !wantedRun(&q, &o.glance, o.people):
		case len(list.Runs) == limit:
			list.Next = list.Runs[limit-1].ID
			return list, nil
		default:
			list.Runs = append(list.Runs, o.glance)
		}
	}
	return list, nil
}

// wantedRun says whether a run is one of those that were asked for.
func wantedRun(q *console.RunsAsked, r *console.RunGlance, people []string) bool {
	is := func(want, got string) bool { return want == "" || want == got }
	item := q.Sample == "" || slices.ContainsFunc(r.Items, func(i record.RunItem) bool { return i.Sample == q.Sample || i.Container == q.Sample })
	request := q.Request == "" || r.Request != nil && (r.Request.ID == q.Request || r.Request.From+"/"+r.Request.ID == q.Request)
	person := q.Person == "" || slices.Contains(people, q.Person)
	return is(q.State, r.State) && is(q.Procedure, r.Procedure.Name) && is(q.Balance, r.Balance) && item && request && person
}
