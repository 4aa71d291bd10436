package gateway

import (
	"context"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/runs"
)

// LabRequests gives requests of lab systems, in the order in which they are to be done.
func (g *Gateway) LabRequests(q console.RequestsAsked) []console.RequestView {
	list := []console.RequestView{}
	for _, one := range g.runs.Requests(runs.RequestsAsked{State: q.State, Balance: q.Balance, Sample: q.Sample, From: q.From, Limit: q.Limit}) {
		list = append(list, requestView(one))
	}
	return list
}

// LabRequest gives one of them.
func (g *Gateway) LabRequest(ref record.RequestRef) (console.RequestView, bool) {
	q, known := g.runs.Request(ref)
	return requestView(q), known
}

func requestView(q runs.Request) console.RequestView {
	return console.RequestView{LabRequest: q.LabRequest, State: q.State, Received: q.Received, Changed: q.Changed, Run: q.Run, Verdict: q.Verdict, Results: q.Results, LeftOut: q.LeftOut,
		Reason: q.Reason, Title: q.Title, Cannot: q.Cannot, Overdue: q.Overdue}
}

// TakeRequest takes a request, or finds that it came before.
func (g *Gateway) TakeRequest(ctx context.Context, r record.LabRequest, by record.Actor) (console.RequestView, bool, error) {
	q, again, err := g.runs.TakeRequest(ctx, r, by)
	return requestView(q), again, err
}

// ChangeRequest changes when a request that waits is to be done, and where.
func (g *Gateway) ChangeRequest(ctx context.Context, ref record.RequestRef, c record.RequestChange, by record.Actor) (console.RequestView, error) {
	q, err := g.runs.ChangeRequest(ctx, ref, c, by)
	return requestView(q), err
}

// CancelRequest cancels a request that waits.
func (g *Gateway) CancelRequest(ctx context.Context, ref record.RequestRef, reason string, by record.Actor) (console.RequestView, error) {
	q, err := g.runs.CancelRequest(ctx, ref, reason, by)
	return requestView(q), err
}

// SendRequest carries out one thing that a lab system sent.
func (g *Gateway) SendRequest(ctx context.Context, s record.RequestSent, by record.Actor) (record.RequestStands, error) {
	var q runs.Request
	again, err := false, s.Err
	switch ref := s.Request.RequestRef; {
	case err != nil:
		err = &record.NotDone{Why: err.Error()}
	case s.Change != nil:
		q, err = g.runs.ChangeRequest(ctx, ref, *s.Change, by)
	case s.Cancel != "":
		q, err = g.runs.CancelRequest(ctx, ref, s.Cancel, by)
	default:
		q, again, err = g.runs.TakeRequest(ctx, s.Request, by)
	}
	return record.RequestStands{RequestRef: s.Request.RequestRef, State: q.State, Again: again, Run: q.Run, Cannot: q.Cannot}, err
}
