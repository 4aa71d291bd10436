package gateway

import (
	"context"

	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/record"
)

// Pause stops the deliveries of a sink.
func (g *Gateway) Pause(ctx context.Context, who record.Actor, id, reason string) (console.DeliveryDone, error) {
	return g.pause(ctx, &record.SinkPaused{Paused: true, Sink: id, Reason: reason, By: who, Stamp: g.stamp()}, (*deliver.Runner).Pause)
}

// Continue lets the deliveries of a sink go on.
func (g *Gateway) Continue(ctx context.Context, who record.Actor, id, reason string) (console.DeliveryDone, error) {
	return g.pause(ctx, &record.SinkPaused{Sink: id, Reason: reason, By: who, Stamp: g.stamp()}, (*deliver.Runner).Continue)
}

func (g *Gateway) pause(ctx context.Context, body *record.SinkPaused, act func(*deliver.Runner, context.Context, *record.SinkPaused) error) (done console.DeliveryDone, err error) {
	s, err := g.sinkOf(body.Sink)
	if err != nil {
		return done, err
	}
	done.Sink, done.Left = body.Sink, s.runner.Status().Parked
	if err := act(s.runner, ctx, body); err != nil {
		return done, refusedDecision(err)
	}
	done.Acts = []string{body.ID}
	return done, nil
}

// Routing says what a sink is configured to get.
func (g *Gateway) Routing(id string) (console.Routing, error) {
	s, err := g.sinkOf(id)
	if err != nil {
		return console.Routing{}, err
	}
	c := &s.cfg.Delivery
	return console.Routing{Entries: c.Entries, Balances: c.Balances, Verdicts: c.Verdicts, Hold: c.Hold, Closed: c.Closed}, nil
}

// Waiting counts how many entries a sink wants and has not had.
func (g *Gateway) Waiting(ctx context.Context, id string) (n uint64, exact bool, err error) {
	s, err := g.sinkOf(id)
	if err != nil {
		return 0, false, err
	}
	return s.runner.Waiting(ctx)
}
