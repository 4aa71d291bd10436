package gateway

import (
	"context"
	"time"

	"weighpost/gateway/deliver"
	"weighpost/gateway/journal"
	"weighpost/gateway/port"
)

// Lines gives what reads each balance's port now, by id.
func (g *Gateway) Lines() map[string]*port.Line {
	all := map[string]*port.Line{}
	for _, b := range g.now.Load().balances {
		all[b.cfg.ID] = b.line
	}
	return all
}

// LookAtSpace is one look at the space of the journal's disk.
func (g *Gateway) LookAtSpace(growth *journal.Growth, now time.Time, free func(string) (uint64, error)) {
	g.lookAtSpace(growth, now, free)
}

// VerifyOnce is one pass over the journal, as they are made in the background.
func (g *Gateway) VerifyOnce(ctx context.Context) (halted bool, err error) { return g.verifyOnce(ctx) }

// Runners gives what delivers to each sink now, by id.
func (g *Gateway) Runners() map[string]*deliver.Runner {
	all := map[string]*deliver.Runner{}
	for _, s := range g.now.Load().sinks {
		all[s.cfg.Delivery.ID] = s.runner
	}
	return all
}
