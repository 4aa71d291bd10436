package gateway

import (
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/health"
	"weighpost/gateway/intake"
	"weighpost/gateway/live"
	"weighpost/gateway/record"
)

// Balances gives the page every balance, in the order of the configuration.
func (g *Gateway) Balances() []console.Balance {
	all := g.now.Load().balances
	list := make([]console.Balance, 0, len(all))
	for _, one := range all {
		cfg, s := one.cfg, intake.Status{Context: record.ContextView{Items: []record.ContextHeld{}}}
		if one.intake != nil {
			s = one.intake.Status()
		}
		b := console.Balance{
			ID: cfg.ID, Serial: cfg.Serial, Place: cfg.Place, Readability: cfg.Readability.String(), Identity: s.Identity,
			Rule: cfg.Record.String(), Port: cfg.Port.Address, PortUp: s.PortUp,
			Frames: s.Frames, Unread: s.Unread, Recorded: s.Recorded, Waiting: s.Waiting, Unkept: s.Unkept,
			Damaged: s.Damaged, Breaks: s.Breaks, Unprotected: s.Unprotected, Context: s.Context.Items,
		}
		if u := s.LastUnread; u != nil {
			b.LastUnread = &console.UnreadFrame{UTC: u.UTC, Why: u.Why, Frame: u.Frame}
		}
		b.Asking = asking(cfg.Ask, s.Asked)
		if s.Live.Balance != "" {
			b.Live = &s.Live
		}
		b.Tap = one.tapFacts()
		if s.LastID != "" {
			b.Last = &console.Recorded{ID: s.LastID, UTC: s.LastUTC, Value: s.LastValue, Sample: s.LastSample}
		}
		if g.fitness != nil {
			if now := g.fitness.Now(cfg.ID); now.State != record.FitnessUnknown {
				b.Fitness = &now
			}
		}
		list = append(list, b)
	}
	return list
}

// asking says how a balance is asked, or nil.
func asking(ask *intake.AskConfig, s intake.Asked) *console.Asking {
	if ask == nil {
		return nil
	}
	a := &console.Asking{
		Send: ask.Send.String(), EveryS: time.Duration(ask.Every).Seconds(), WhileWatched: ask.WhileWatched, Confirm: max(ask.Confirm, 1),
		Questions: s.Questions, Answers: s.Answers, Missed: s.Missed, Late: s.Late, Differed: s.Differed, Why: s.Why,
	}
	if !s.Last.Time().IsZero() {
		a.LastAnswer = &s.Last
	}
	return a
}

// Sinks gives the page every sink, in the order of the configuration.
func (g *Gateway) Sinks() []console.Sink {
	all := g.now.Load().sinks
	list := make([]console.Sink, 0, len(all))
	for _, one := range all {
		s := one.runner.Status()
		k := console.Sink{
			ID: one.cfg.Delivery.ID, Kind: one.cfg.Kind, State: s.State, Why: s.Why,
			Delivered: s.Delivered, Parked: s.Parked, Lag: s.Lag, Where: one.cfg.Settings.Destination(),
			BehindSince: moment(s.BehindSince), LastSuccess: moment(s.LastSuccess), LastError: s.LastError, FailedAt: moment(s.FailedAt),
			NextTry: moment(s.NextTry), Waiting: s.Waiting, AtLeast: s.AtLeast, PerMinute: s.PerMinute, Remedy: s.Remedy,
			Closed: one.cfg.Delivery.Closed, Holds: one.cfg.Delivery.Hold != "",
		}
		if s.Oldest != nil {
			k.Oldest = s.Oldest.ID
		}
		if p := s.Paused; p != nil {
			k.Paused = &console.SinkPaused{Who: p.Who, Why: p.Why, Since: p.Since, Entry: p.Entry}
		}
		list = append(list, k)
	}
	return list
}

// Journal gives the page the journal's position.
func (g *Gateway) Journal() console.Journal {
	j := console.Journal{Incarnation: g.journal.Incarnation(), Head: g.journal.Head(), Space: g.space.Load(),
		Verified: g.verified.Load()}
	for _, a := range g.journal.Acknowledgements() {
		j.Checkpoints = append(j.Checkpoints, console.Acknowledged{Sink: a.Sink, Size: a.Size, At: record.UTC(a.At)})
	}
	return j
}

// Clock says how the clock is. Before Start there is none to tell of.
func (g *Gateway) Clock() clock.Facts { return g.clock.Facts() }

// Conditions lists what is wrong now.
func (g *Gateway) Conditions() []health.Condition { return g.board.List() }

// Live is the continuous stream, for whoever wants a view of it.
func (g *Gateway) Live() *live.Hub { return &g.live }

// Config is the configuration that holds.
func (g *Gateway) Config() *config.Config { return g.now.Load().cfg }

// TimeFacts gives the page the clock behind the stamps.
func (g *Gateway) TimeFacts() console.Clock {
	f := g.clock.Facts()
	c := console.Clock{State: f.State, Since: f.Since, Why: f.Why, Bound: f.Bound, Ceiling: f.Ceiling, Ahead: inSeconds(f.Computer),
		Servers: make([]console.TimeServer, 0, len(f.Servers))}
	for _, s := range f.Servers {
		c.Servers = append(c.Servers, console.TimeServer{Address: s.Address, Verdict: s.Verdict, Why: s.Why,
			Offset: inSeconds(s.Offset), Distance: inSeconds(s.Distance), LastAnswer: s.LastAnswer})
	}
	return c
}

func inSeconds(s *clock.Seconds) *float64 {
	if s == nil {
		return nil
	}
	v := s.D().Round(time.Microsecond).Seconds()
	return &v
}

// configuration gives the page what became of the configuration.
func (g *Gateway) configuration() console.Configuration {
	last := g.LastReload()
	c := console.Configuration{Hash: g.now.Load().software.Config, Refused: last.Why, Taken: last.Times, NotTaken: last.Refused}
	if at := last.At; !at.Time().IsZero() {
		c.Last = &at
	}
	return c
}
