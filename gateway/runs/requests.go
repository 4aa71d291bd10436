package runs

import "weighpost/gateway/record"

// requestsKnown are the requests of lab systems.
type requestsKnown struct{}

func newRequests() requestsKnown { return requestsKnown{} }

// requestChanged takes an entry about a request.
func (r *Room) requestChanged(*record.LabRequestChanged) error { return nil }

// beginsFor makes of an order that answers a request what the request asks for, and gives what becomes of the request once the run has begun. The
// view is locked.
func (r *Room) beginsFor(o *Order, _ string, _ record.Actor) ([]record.Body, error) {
	return nil, notDone("no request %.63s of %.63s is known", o.Request.ID, o.Request.From)
}

// answers gives what becomes of the request that a run answers, when the run ends. The view is locked.
func (r *Room) answers(*record.RunEnded) []record.Body { return nil }
