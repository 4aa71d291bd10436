package runs

import (
	"context"
	"slices"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// Standing is an open run as it stands.
type Standing struct {
	Seq     uint64 // the entry up to which this is so
	Begun   *record.RunBegun
	Title   string
	Steps   []*record.RunStep
	By      record.Actor // who performs it
	Balance string       // where it is; "": at none
	Aside   bool
	Items   []record.RunItem
	Due     int // weighings whose steps are not in the journal yet
	Def     *procedure.Definition
	Next    procedure.Instruction
	Found   []procedure.FoundStep
	Results procedure.Found // as far as there are any
	Faulty  error           // why this weighpost cannot go on with it; nil: it can
}

// Open gives an open run.
func (r *Room) Open(id string) (s Standing, open bool) {
	r.view.Lock()
	o := r.open[id]
	r.view.Unlock()
	if o == nil {
		return s, false
	}
	facts := r.factsHere(o)
	r.view.Lock()
	defer r.view.Unlock()
	return r.standing(o, facts), r.open[id] != nil
}

// factsHere are those of the balance where a run is. The view is not locked: the lab has locks of its own.
func (r *Room) factsHere(o *openRun) (f procedure.Facts) {
	r.view.Lock()
	balance := o.where()
	r.view.Unlock()
	if balance != "" {
		f, _ = r.o.Lab.Facts(balance)
	}
	return f
}

// OpenRuns gives all of them, in the order in which they began.
func (r *Room) OpenRuns() (list []Standing) {
	r.view.Lock()
	all := r.inOrder()
	r.view.Unlock()
	for _, o := range all {
		if s, open := r.Open(o.begun.Run.ID); open {
			list = append(list, s)
		}
	}
	return list
}

// Balances lists where open runs are.
func (r *Room) Balances() (list []string) {
	r.view.Lock()
	defer r.view.Unlock()
	for _, o := range r.inOrder() {
		if balance := o.where(); balance != "" {
			list = append(list, balance)
		}
	}
	return list
}

// At gives the id of the run at a balance, or "".
func (r *Room) At(balance string) string {
	r.view.Lock()
	defer r.view.Unlock()
	if o := r.at(balance); o != nil {
		return o.begun.Run.ID
	}
	return ""
}

// standing copies what is known of an open run. The view is locked.
func (r *Room) standing(o *openRun, f procedure.Facts) Standing {
	s := Standing{Seq: r.view.Seq(), Begun: o.begun, Title: r.titleOf(o.begun.Run.Procedure), Steps: slices.Clone(o.steps), By: o.by, Balance: o.where(),
		Aside: o.away && len(o.steps) > 0, Items: o.items(), Due: len(o.due), Faulty: o.faulty}
	if f := r.procedures[o.begun.Run.Procedure.Name]; f != nil && o.run != nil {
		s.Def, _ = f.version(o.begun.Run.Procedure.Version).definition()
	}
	if o.run != nil {
		r.complete(&f)
		s.Next, s.Found, s.Results = o.run.Next(f), o.run.Steps(), o.run.Found()
	} else {
		for _, step := range o.steps {
			s.Found = append(s.Found, procedure.FoundStep{Entry: step})
		}
	}
	return s
}

// Replay goes through a run that has ended once more.
func (r *Room) Replay(begun *record.RunBegun, steps []*record.RunStep) Standing {
	r.view.Lock()
	defer r.view.Unlock()
	o := r.reopen(begun)
	for _, s := range steps {
		o.apply(s)
	}
	return r.standing(o, procedure.Facts{})
}

// Ended gives the runs that have ended and are known by heart, oldest first.
func (r *Room) Ended() []Ended {
	r.view.Lock()
	defer r.view.Unlock()
	list := make([]Ended, len(r.ended))
	for i, e := range r.ended {
		list[i] = *e
	}
	return list
}

// EndedRun gives one of them.
func (r *Room) EndedRun(id string) (e Ended, known bool) {
	r.view.Lock()
	defer r.view.Unlock()
	if one := r.endedBy[id]; one != nil {
		return *one, true
	}
	return e, false
}

// Settled waits until everything is decided that was in the journal when it was asked.
func (r *Room) Settled(ctx context.Context, id string) error {
	done, err := r.view.Take(ctx)
	if err != nil {
		return err
	}
	defer done()
	if !r.ready() {
		return errEarly()
	}
	return r.settle(ctx, id)
}
