package runs

import (
	"context"
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

const (
	tick     = time.Second      // how often it is looked whether a step that waits is over
	patience = 10 * time.Second // for what is done of itself: then it is tried again
	most     = 1000             // steps that follow of themselves from one
)

// work does for open runs what is to be done of itself, until ctx ends: it gives weighings to them, ends steps that have waited long enough, and
// ends runs whose steps are all done.
func (r *Room) work(ctx context.Context) {
	t := time.NewTicker(tick)
	defer t.Stop()
	said := ""
	for {
		woken := false
		select {
		case <-ctx.Done():
			return
		case <-r.wake:
			woken = true
		case <-t.C:
		}
		if !r.ready() {
			continue
		}
		err := r.tend(ctx)
		switch {
		case err == nil:
			said = ""
		case ctx.Err() == nil && err.Error() != said:
			said = err.Error()
			r.o.Log.Warn("what runs do of themselves could not be recorded yet", "err", err)
		}
		if woken {
			r.o.Moved()
		}
	}
}

// ready says whether everything is known that a run rests on: before that, a weighing's step may still be to come.
func (r *Room) ready() bool { return r.view.Ready() && r.o.Lab.Ready() }

// errEarly says that it is not known yet how runs and balances are.
func errEarly() error {
	return notDone("how runs and balances are is still being read from the journal: try again in a moment")
}

// tend does once what is to be done.
func (r *Room) tend(ctx context.Context) error {
	ids, strays := r.waiting()
	if len(ids) == 0 && !strays {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	done, err := r.view.Take(ctx)
	if err != nil {
		return err
	}
	defer done()
	for _, id := range ids {
		if err := r.settle(ctx, id); err != nil {
			return err
		}
	}
	return r.sweep(ctx)
}

// waiting lists the open runs for which there is something to do, and says whether there are weighings of runs that had ended.
func (r *Room) waiting() (ids []string, strays bool) {
	r.view.Lock()
	defer r.view.Unlock()
	at := r.now()
	for _, o := range r.inOrder() {
		if len(o.due) > 0 || o.run != nil && (o.run.Next(procedure.Facts{}).Waiting == procedure.ForEnd || len(o.run.Pass(at)) > 0) {
			ids = append(ids, o.begun.Run.ID)
		}
	}
	return ids, len(r.strays) > 0
}

// settle does for one run what is to be done, until it waits for somebody. Whoever calls it has the token.
func (r *Room) settle(ctx context.Context, id string) error {
	for range most {
		r.view.Lock()
		o := r.open[id]
		r.view.Unlock()
		if o == nil {
			return nil
		}
		if err := r.weigh(ctx, o); err != nil {
			return err
		}
		bodies := r.follows(o)
		if len(bodies) == 0 {
			return nil
		}
		if _, err := r.view.Append(ctx, bodies...); err != nil {
			return err
		}
	}
	return fmt.Errorf("the run %s goes on of itself without an end", id)
}

// follows is what follows of itself: that a step has waited long enough, or that the run is at its end.
func (r *Room) follows(o *openRun) []record.Body {
	r.view.Lock()
	defer r.view.Unlock()
	if o.run == nil {
		return nil
	}
	if o.run.Next(procedure.Facts{}).Waiting == procedure.ForEnd && len(o.due) == 0 {
		return r.ends(o, record.RunComplete, "", o.by)
	}
	stamp := r.o.Stamp()
	return r.fill(o, o.run.Pass(stamp.UTC), o.by, stamp)
}

// weigh gives the run the weighings that are due, one after the other. Whoever calls it has the token.
func (r *Room) weigh(ctx context.Context, o *openRun) error {
	for {
		r.view.Lock()
		due := slices.Clone(o.due)
		r.view.Unlock()
		if len(due) == 0 {
			return nil
		}
		w := due[0]
		facts, known := r.o.Lab.Facts(w.Balance.ID)
		if !known {
			facts.Balance = w.Balance
		}
		if _, err := r.view.Append(ctx, r.judged(o, w, facts)...); err != nil {
			return err
		}
	}
}

// judged is what a weighing is to a run.
func (r *Room) judged(o *openRun, w *record.Weighing, f procedure.Facts) []record.Body {
	r.view.Lock()
	defer r.view.Unlock()
	r.complete(&f)
	facts := asWeighed(o, w, f)
	var steps []*record.RunStep
	if o.run != nil {
		steps = o.run.Weighed(w, facts)
	}
	if !slices.ContainsFunc(steps, func(s *record.RunStep) bool { return s.Weighing != nil && s.Weighing.ID == w.ID }) {
		balance, ref := w.Balance, refOf(w.Head)
		steps = append(steps, &record.RunStep{Balance: &balance, Became: record.StepUnused, Weighing: &ref, Why: "No step of the run had asked for a weight."})
	}
	for _, s := range steps {
		if s.Balance == nil {
			balance := w.Balance
			s.Balance = &balance
		}
	}
	return r.fill(o, steps, o.by, w.Stamp) // a step that waits counts from when it was weighed, also where it is decided after a restart
}

// asWeighed has facts say what was so when the weighing was made, and not only what is so now.
func asWeighed(o *openRun, w *record.Weighing, f procedure.Facts) procedure.Facts {
	f.Balance = w.Balance
	switch p := w.Context.Person; {
	case f.Unfit != "":
	case w.Fitness.State == record.OutOfService:
		f.Unfit = "The balance " + w.Balance.ID + " was out of service when it weighed this."
	case w.Fitness.State == record.InCheck:
		f.Unfit = "A check of the balance " + w.Balance.ID + " was under way when it weighed this."
	case p != nil && p.ID != o.by.ID:
		f.Unfit = fmt.Sprintf("%s weighed this, and %s performs the run: whoever goes on with it takes it over first.", shown(p), o.by.Shown())
	}
	return f
}

func shown(p *record.Learnt) string {
	if p.Name != "" {
		return p.Name
	}
	return p.ID
}

// sweep records of weighings that carried a run which had ended that no step uses them. Whoever calls it has the token.
func (r *Room) sweep(ctx context.Context) error {
	r.view.Lock()
	var bodies []record.Body
	for _, s := range r.strays {
		bodies = append(bodies, &record.RunStep{Run: s.Run, Balance: &s.Balance, Became: record.StepUnused, Weighing: &s.Weighing,
			Why: "The run had ended.", By: record.Actor{By: record.ActorSoftware}, Stamp: r.o.Stamp()})
	}
	r.view.Unlock()
	_, err := r.view.Append(ctx, bodies...)
	return err
}
