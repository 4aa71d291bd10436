package mqtt

import (
	"context"
	"errors"
	"fmt"

	"weighpost/gateway/record"
)

// Requests for runs of procedures, which are about no balance: they come under one topic of the site.

const (
	runsSet = "/requests/set"
	// runsSize is how large a message with such requests may be, in bytes.
	runsSize = record.MostRequestBytes
)

// ordered says what became of one request for a run.
type ordered struct {
	record.RequestStands
	Number int    `json:"number"` // in the message, from 1
	OK     bool   `json:"ok"`
	Why    string `json:"why,omitempty"` // where it was refused
}

// size is how large a request may be.
func (a act) size() int {
	if a == actRuns {
		return runsSize
	}
	return requestSize
}

// runRequests are the topic filters under which requests for runs come.
func (t topics) runRequests() []string { return []string{t.base + "/" + nobody + runsSet} }

// parseRuns reads whether they are requests for runs. The mark of one that comes alone is that of the message; those of a list are their own.
func parseRuns(payload []byte) (a asked, err error) {
	list, many, err := record.ParseLabRequests(payload, "")
	if len(list) == 1 && !many {
		a.mark = list[0].Mark
	}
	return a, err
}

// order has requests for runs taken, one after the other. done says that something is recorded. What is not known to be recorded is tried again when
// it comes again: nothing comes of it twice.
func (d *desk) order(ctx context.Context, r request, asked asked) (a answer, done bool) {
	ctx, cancel := context.WithTimeout(ctx, requestLimit)
	defer cancel()
	list, _, _ := record.ParseLabRequests(r.payload, d.sink) // parse has found that they can be read
	a = answer{Request: asked.mark, Accepted: true}
	known := true
	for n, one := range list {
		o := ordered{Number: n + 1}
		var err error
		o.RequestStands, err = d.send(ctx, r, one)
		o.RequestRef, o.OK = one.Request.RequestRef, err == nil
		var not *record.NotDone
		switch {
		case err == nil:
			done = true
		case errors.As(err, &not) || errors.Is(err, record.ErrNoRequest):
			o.Why = err.Error()
		default:
			o.Why, known = fmt.Sprintf("it is not known whether this is recorded: %v; send it again, nothing comes of it twice", err), false
		}
		a.Accepted = a.Accepted && o.OK
		a.Requests = append(a.Requests, o)
	}
	if !a.Accepted {
		a.Why = "Not all of it was taken: see requests."
		if len(list) == 1 {
			a.Why = a.Requests[0].Why
		}
	}
	return a, done && known && a.Accepted
}

func (d *desk) send(ctx context.Context, r request, one record.RequestSent) (stands record.RequestStands, err error) {
	switch {
	case one.Err != nil:
		return stands, &record.NotDone{Why: one.Err.Error()}
	case one.Request.From != d.sink:
		return stands, &record.NotDone{Why: "requests that come here are those of " + d.sink + ": leave from out"}
	}
	by := record.Actor{ID: d.sink, By: record.ActorBroker, Where: r.topic}
	if one.Mark != "" {
		by.Request = record.RequestMark("broker "+d.sink, one.Mark, string(r.payload))
	}
	return d.asks.SendRequest(ctx, one, by)
}
