package gateway

import (
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/live"
)

// Balances gives the page every balance, in the order of the configuration.
func (g *Gateway) Balances() []console.Balance {
	list := make([]console.Balance, 0, len(g.intakes))
	for _, in := range g.intakes {
		cfg, s := in.Config(), in.Status()
		b := console.Balance{
			ID: cfg.ID, Serial: cfg.Serial, Place: cfg.Place, Readability: cfg.Readability.String(), Identity: s.Identity,
			Rule: cfg.Record.String(), Port: cfg.Port.Address, PortUp: s.PortUp,
			Frames: s.Frames, Unread: s.Unread, Recorded: s.Recorded, Waiting: s.Waiting, Unkept: s.Unkept,
		}
		if s.Live.Balance != "" {
			b.Live = &s.Live
		}
		if s.LastID != "" {
			b.Last = &console.Recorded{ID: s.LastID, UTC: s.LastUTC, Value: s.LastValue, Sample: s.LastSample}
		}
		list = append(list, b)
	}
	return list
}

// Sinks gives the page every sink, in the order of the configuration.
func (g *Gateway) Sinks() []console.Sink {
	list := make([]console.Sink, 0, len(g.runners))
	for i, r := range g.runners {
		s := r.Status()
		list = append(list, console.Sink{
			ID: g.cfg.Sinks[i].Delivery.ID, Kind: g.cfg.Sinks[i].Kind, State: s.State, Why: s.Why,
			Delivered: s.Delivered, Parked: s.Parked, Lag: s.Lag,
		})
	}
	return list
}

// Journal gives the page the journal's position.
func (g *Gateway) Journal() console.Journal {
	return console.Journal{Incarnation: g.journal.Incarnation(), Head: g.journal.Head()}
}

// Conditions lists what is wrong now.
func (g *Gateway) Conditions() []health.Condition { return g.board.List() }

// Live is the continuous stream, for whoever wants a view of it.
func (g *Gateway) Live() *live.Hub { return &g.live }
