package runs

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// Bounds on what is known of requests.
const (
	mostWaiting = 10_000  // that wait, or are begun
	mostDone    = 2_000   // that have ended, whole
	mostGone    = 100_000 // that have ended, of which it is known only that they came
)

// Request is a request with what became of it. What it points to is never changed, only replaced.
type Request struct {
	record.LabRequest
	Sent     *record.LabRequest `json:"sent,omitempty"` // as it came, where it was changed since
	Seq      uint64             `json:"seq"`            // of the entry with which it came
	State    string             `json:"state"`
	Received record.UTC         `json:"received"`
	Changed  record.UTC         `json:"changed"`
	Run      string             `json:"run,omitempty"`
	Verdict  string             `json:"verdict,omitempty"`
	Results  []record.RunResult `json:"results,omitempty"`
	LeftOut  []record.RunLeft   `json:"left_out,omitempty"`
	Reason   string             `json:"reason,omitempty"`

	Title   string `json:"-"` // of its procedure
	Cannot  string `json:"-"` // why no run can begin of it now
	Overdue bool   `json:"-"`
}

func (q *Request) open() bool {
	return q.State == record.RequestWaiting || q.State == record.RequestBegun
}

// requestChanged takes an entry about a request.
func (r *Room) requestChanged(c *record.LabRequestChanged) error {
	known, ref := r.requests.by[c.Request.RequestRef], c.Request.RequestRef
	if c.Change == record.RequestReceived {
		if known != nil {
			return fmt.Errorf("the request %s of %s came before", ref.ID, ref.From)
		}
		r.requests.by[ref] = &Request{LabRequest: c.Request, Seq: c.Seq, State: c.State, Received: c.Stamp.UTC, Changed: c.Stamp.UTC}
		return nil
	}
	if known == nil {
		return fmt.Errorf("there is no request %s of %s", ref.ID, ref.From)
	}
	q := *known
	if c.Change == record.RequestChanged && q.Sent == nil {
		sent := q.LabRequest
		q.Sent = &sent
	}
	q.LabRequest, q.State, q.Changed, q.Reason = c.Request, c.State, c.Stamp.UTC, c.Reason
	q.Run, q.Verdict, q.Results, q.LeftOut = cmp.Or(c.Run, q.Run), c.Verdict, c.Results, c.LeftOut
	r.requests.by[ref] = &q
	if known.open() && !q.open() {
		r.requests.end(ref)
	}
	return nil
}

// TakeRequest takes a request. One that came before, as it was sent or as it is now, changes nothing: again is true. An error that is a
// *record.NotDone says why it is not taken.
func (r *Room) TakeRequest(ctx context.Context, l record.LabRequest, by record.Actor) (q Request, again bool, err error) {
	if err := l.Check(); err != nil {
		return q, false, &record.NotDone{Why: err.Error()}
	}
	done, err := r.view.Take(ctx)
	if err != nil {
		return q, false, err
	}
	defer done()
	if !r.ready() {
		return q, false, errEarly()
	}
	facts, err := r.namedBalance(l.Balance)
	if err != nil {
		return q, false, err
	}
	known, err := r.mayCome(&l, facts)
	if err != nil || known {
		return r.requestNow(l.RequestRef, err), known, err
	}
	e := &record.LabRequestChanged{Request: l, Change: record.RequestReceived, State: record.RequestWaiting, By: by, Stamp: r.o.Stamp()}
	_, err = r.view.Append(ctx, e)
	return r.requestNow(l.RequestRef, err), false, err
}

// requestNow gives a request as it stands after something was done to it, where that was.
func (r *Room) requestNow(ref record.RequestRef, err error) (q Request) {
	if err == nil {
		q, _ = r.Request(ref)
	}
	return q
}

// namedBalance gives the facts of the balance that a request names, or says that there is none of that id.
func (r *Room) namedBalance(id string) (f procedure.Facts, err error) {
	if id == "" {
		return f, nil
	}
	f, known := r.o.Lab.Facts(id)
	if !known {
		return f, notDone("there is no balance %.63s", id)
	}
	return f, nil
}

// mayCome says why a request is not taken, or that it came before.
func (r *Room) mayCome(l *record.LabRequest, f procedure.Facts) (known bool, err error) {
	r.view.Lock()
	defer r.view.Unlock()
	if q := r.requests.by[l.RequestRef]; q != nil {
		if l.Same(&q.LabRequest) || q.Sent != nil && l.Same(q.Sent) {
			return true, nil
		}
		return false, notDone("the request %s of %s came before, and it asked for something else: change it, or give this one an id of its own", l.ID, l.From)
	}
	switch {
	case r.requests.gone.has(l.RequestRef):
		return false, notDone("a request %s of %s came before, and it ended long ago: give this one an id of its own", l.ID, l.From)
	case len(r.requests.by)-len(r.requests.ended) >= mostWaiting:
		return false, notDone("%d requests wait, which is the most that are kept: cancel some, or send it again later", mostWaiting)
	}
	return false, r.doable(l, f)
}

// doable says why no run can come of what a request asks for, or nil. The view is locked.
func (r *Room) doable(l *record.LabRequest, f procedure.Facts) error {
	v, err := r.toBegin(&Order{Procedure: l.Procedure, version: l.Version})
	if err == record.ErrNoProcedure {
		return notDone("there is no procedure %.63s", l.Procedure)
	}
	if err != nil {
		return err
	}
	if _, err := procedure.Open(v.def, &record.RunBegun{Items: l.Items, Parameters: l.Parameters, Stamp: r.o.Stamp()}); err != nil {
		return asNotDone(err)
	}
	if l.Balance != "" {
		if why := v.def.Suits(f); why != "" {
			return &record.NotDone{Why: why, Field: "balance"}
		}
	}
	return nil
}

// asNotDone keeps what is said of the place of a fault.
func asNotDone(err error) error {
	if not, ok := err.(*record.NotDone); ok {
		return not
	}
	return &record.NotDone{Why: err.Error()}
}

// ChangeRequest changes what may change of a request that waits. Where nothing of it changes, nothing is recorded. The error is
// record.ErrNoRequest, or a *record.NotDone that says why not.
func (r *Room) ChangeRequest(ctx context.Context, ref record.RequestRef, c record.RequestChange, by record.Actor) (q Request, err error) {
	return r.changeRequest(ctx, ref, func(q *Request) (*record.LabRequestChanged, error) {
		after, err := c.Of(q.LabRequest)
		if err != nil {
			return nil, &record.NotDone{Why: err.Error()}
		}
		if q.State != record.RequestWaiting {
			return nil, notDone("the request %s of %s is %s: only one that waits is changed", ref.ID, ref.From, q.State)
		}
		if after.Same(&q.LabRequest) {
			return nil, nil
		}
		facts, err := r.namedBalance(after.Balance)
		if err == nil && after.Balance != q.Balance {
			err = r.wouldDo(&after, facts)
		}
		before := q.LabRequest
		return &record.LabRequestChanged{Request: after, Change: record.RequestChanged, State: q.State, Before: &before, Reason: c.Reason}, err
	}, by)
}

// wouldDo is doable for whoever has not locked the view.
func (r *Room) wouldDo(l *record.LabRequest, f procedure.Facts) error {
	r.view.Lock()
	defer r.view.Unlock()
	return r.doable(l, f)
}

// CancelRequest cancels a request that waits. One that is cancelled already stays so, and nothing is recorded. The error is as of ChangeRequest.
func (r *Room) CancelRequest(ctx context.Context, ref record.RequestRef, reason string, by record.Actor) (q Request, err error) {
	return r.changeRequest(ctx, ref, func(q *Request) (*record.LabRequestChanged, error) {
		switch q.State {
		case record.RequestCancelled:
			return nil, nil
		case record.RequestBegun:
			return nil, notDone("the run %s answers the request %s of %s: whoever performs it has to abandon it first", q.Run, ref.ID, ref.From)
		case record.RequestWaiting:
			return &record.LabRequestChanged{Request: q.LabRequest, Change: record.RequestCancelled, State: record.RequestCancelled, Reason: reason}, nil
		}
		return nil, notDone("the request %s of %s is %s already", ref.ID, ref.From, q.State)
	}, by)
}

// changeRequest records what decide makes of a request, which is not changed meanwhile: nil for nothing.
func (r *Room) changeRequest(ctx context.Context, ref record.RequestRef, decide func(*Request) (*record.LabRequestChanged, error), by record.Actor) (q Request, err error) {
	done, err := r.view.Take(ctx)
	if err != nil {
		return q, err
	}
	defer done()
	if !r.ready() {
		return q, errEarly()
	}
	r.view.Lock()
	known := r.requests.by[ref]
	r.view.Unlock()
	if known == nil {
		return q, record.ErrNoRequest
	}
	e, err := decide(known)
	if err == nil && e != nil {
		e.By, e.Stamp = by, r.o.Stamp()
		_, err = r.view.Append(ctx, e)
	}
	return r.requestNow(ref, err), err
}

// beginsFor makes of an order that answers a request what the request asks for, and gives what becomes of the request once the run has begun. The
// view is locked.
func (r *Room) beginsFor(o *Order, run string, by record.Actor) ([]record.Body, error) {
	ref := *o.Request
	q := r.requests.by[ref]
	switch {
	case q == nil:
		return nil, record.ErrNoRequest
	case q.State == record.RequestBegun:
		return nil, notDone("the run %s answers the request %s of %s already", q.Run, ref.ID, ref.From)
	case q.State != record.RequestWaiting:
		return nil, notDone("the request %s of %s is %s: no run begins of it", ref.ID, ref.From, q.State)
	case q.Balance != "" && o.Balance != "" && o.Balance != q.Balance:
		return nil, notDone("the request %s of %s is for balance %s, and not for %s", ref.ID, ref.From, q.Balance, o.Balance)
	}
	o.Procedure, o.Items, o.Parameters, o.version = q.Procedure, slices.Clone(q.Items), q.Parameters, q.Version
	return []record.Body{&record.LabRequestChanged{Request: q.LabRequest, Change: record.RequestBegun, State: record.RequestBegun, Run: run, By: by, Stamp: r.o.Stamp()}}, nil
}

// answers gives what becomes of the request that a run answers, when the run ends. The view is locked.
func (r *Room) answers(e *record.RunEnded) []record.Body {
	if e.Request == nil {
		return nil
	}
	q := r.requests.by[*e.Request]
	if q == nil || q.State != record.RequestBegun || q.Run != e.Run.ID {
		return nil
	}
	state := record.RequestComplete
	if e.State == record.RunAbandoned {
		state = record.RequestAbandoned
	}
	return []record.Body{&record.LabRequestChanged{Request: q.LabRequest, Change: state, State: state, Run: e.Run.ID, Results: e.Results, Verdict: e.Verdict, LeftOut: e.LeftOut,
		Reason: e.Reason, By: e.By, Stamp: e.Stamp}}
}
