package runs

import (
	"context"
	"unicode"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// hidden says whether a character cannot be seen: controls, and marks that turn the direction of text among it.
func hidden(c rune) bool { return !unicode.IsPrint(c) }

// Able says what of the rights that runs ask for whoever acts has.
type Able struct {
	Allow  bool // let a run go on with a value outside its limits
	Second bool // confirm as a second person
}

// Act does to a run what somebody wants, once all that was weighed for it before is decided. It returns once that is known. The error is
// record.ErrNoRun, or a *record.NotDone that says why it was not done.
func (r *Room) Act(ctx context.Context, id string, a procedure.Act, by record.Actor, able Able) error {
	done, err := r.view.Take(ctx)
	if err != nil {
		return err
	}
	defer done()
	if !r.ready() {
		return errEarly()
	}
	o, err := r.opened(id)
	if err != nil {
		return err
	}
	if err := r.weigh(ctx, o); err != nil {
		return err
	}
	facts, err := r.factsFor(o, a)
	if err != nil {
		return err
	}
	facts.MayAllow, facts.MaySecond = able.Allow, able.Second
	bodies, err := r.acts(o, a, by, facts)
	if err != nil {
		return err
	}
	if _, err := r.view.Append(ctx, bodies...); err != nil {
		return err
	}
	return r.settle(ctx, id)
}

// opened finds a run that is open.
func (r *Room) opened(id string) (*openRun, error) {
	r.view.Lock()
	defer r.view.Unlock()
	if o := r.open[id]; o != nil {
		return o, nil
	}
	if e := r.endedBy[id]; e != nil {
		return nil, notDone("the run %s has ended: it is %s", id, e.State)
	}
	return nil, record.ErrNoRun
}

// factsFor are the facts at the balance that an act is about: the one where the run goes on, or where it is.
func (r *Room) factsFor(o *openRun, a procedure.Act) (procedure.Facts, error) {
	if a.At != "" {
		r.view.Lock()
		err := r.free(&Order{Balance: a.At}, o.begun.Run.ID)
		r.view.Unlock()
		if err != nil {
			return procedure.Facts{}, err
		}
		return r.factsAt(a.At)
	}
	r.view.Lock()
	balance := o.where()
	r.view.Unlock()
	if balance == "" {
		return procedure.Facts{}, nil
	}
	f, known := r.o.Lab.Facts(balance)
	if !known {
		f.Balance, f.Unfit = *o.balance, "The balance "+balance+" is not configured any more."
	}
	return f, nil
}

// where is the balance that the run is at, or "".
func (o *openRun) where() string {
	if o.away || o.balance == nil {
		return ""
	}
	return o.balance.ID
}

// acts decides what an act makes of a run.
func (r *Room) acts(o *openRun, a procedure.Act, by record.Actor, f procedure.Facts) ([]record.Body, error) {
	r.view.Lock()
	defer r.view.Unlock()
	if o.run == nil {
		if a.Abandon == "" {
			return nil, notDone("the run cannot go on, and can only be abandoned: %v", o.faulty)
		}
		return r.ends(o, record.RunAbandoned, a.Abandon, by), nil
	}
	r.complete(&f)
	stamp := r.o.Stamp()
	steps, err := o.run.Act(a, by, stamp.UTC, f)
	if err != nil {
		return nil, &record.NotDone{Why: err.Error()}
	}
	bodies := r.fill(o, steps, by, stamp)
	if a.Abandon != "" {
		bodies = append(bodies, r.ends(o, record.RunAbandoned, a.Abandon, by)...)
	}
	return bodies, nil
}

// complete puts into facts what the room itself knows. The view is locked, and stays so while they are used.
func (r *Room) complete(f *procedure.Facts) {
	f.Container, f.Late = r.known, r.late
}

// fill completes steps that were decided. The view is locked.
func (r *Room) fill(o *openRun, steps []*record.RunStep, by record.Actor, stamp record.Stamp) (bodies []record.Body) {
	for _, s := range steps {
		s.Run, s.Request = o.begun.Run, o.begun.Request
		if s.Balance == nil && !o.away && s.Became != record.RunPutAside {
			s.Balance = o.balance
		}
		if s.By == (record.Actor{}) {
			s.By = by
			if s.Second != nil {
				s.By = o.by
			}
		}
		if s.Stamp.UTC.Time().IsZero() {
			s.Stamp = stamp
		}
		bodies = append(bodies, s)
	}
	return bodies
}

// ends gives the entries with which a run ends: its own, and what becomes of the request that it answers. The view is locked.
func (r *Room) ends(o *openRun, state, reason string, by record.Actor) []record.Body {
	e := &record.RunEnded{Run: o.begun.Run, Balance: o.balance, Request: o.begun.Request, State: state, Results: []record.RunResult{}, Items: o.items(),
		Begun: refOf(o.begun.Head), Steps: []record.EntryRef{}, Weighings: []record.EntryRef{}, Unused: []record.EntryRef{}, Balances: []string{}, People: []string{},
		Reason: reason, By: by, Stamp: r.o.Stamp()}
	if o.run != nil {
		found := o.run.Found()
		e.Results, e.Verdict = append(e.Results, found.Results...), found.Verdict
		e.LeftOut = found.LeftOut
		e.Steps, e.Weighings, e.Unused = append(e.Steps, found.Steps...), append(e.Weighings, found.Weighings...), append(e.Unused, found.Unused...)
		e.Balances, e.People = append(e.Balances, found.Balances...), append(e.People, found.People...)
	} else {
		for _, s := range o.steps {
			e.Steps = append(e.Steps, refOf(s.Head))
		}
	}
	if state == record.RunAbandoned {
		e.Results, e.Verdict, e.LeftOut = []record.RunResult{}, "", nil
	}
	return append([]record.Body{e}, r.answers(e)...)
}
