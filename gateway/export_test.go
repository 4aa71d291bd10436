package gateway

import (
	"weighpost/gateway/deliver"
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

// Runners gives what delivers to each sink now, by id.
func (g *Gateway) Runners() map[string]*deliver.Runner {
	all := map[string]*deliver.Runner{}
	for _, s := range g.now.Load().sinks {
		all[s.cfg.Delivery.ID] = s.runner
	}
	return all
}
