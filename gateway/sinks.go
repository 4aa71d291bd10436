package gateway

import (
	"context"
	"encoding/json"
	"fmt"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/health"
	"weighpost/gateway/lending"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// liveRoom is how many readings of the continuous stream may wait for a sink that carries it; what comes then is dropped.
const liveRoom = 256

// sink is one destination and what delivers to it.
type sink struct {
	cfg    config.Sink
	runner *deliver.Runner
	status sinks.Statuser    // nil where it shows no conditions
	states sinks.StateShower // nil where it does not show how balances and destinations are
	store  sinks.Storer      // nil where it keeps no files
	task   *task

	secrets map[string]string // fingerprints, by key
}

func (g *Gateway) openSinks(ctx context.Context) error {
	now := *g.now.Load()
	g.life.onStop("deliveries", sparing(forRest, g.endDeliveries))
	for _, cfg := range now.cfg.Sinks {
		s, err := g.openSink(ctx, now.cfg.Site, cfg)
		if err != nil {
			return err
		}
		now.sinks = append(now.sinks, s)
	}
	g.now.Store(&now)
	g.showStatus(now.sinks)
	return nil
}

// endDeliveries waits a while for the sinks to end. One that hangs is left behind: what it has not taken goes out after the
// next start, as does what it had no time to confirm.
func (g *Gateway) endDeliveries(ctx context.Context) error {
	limit, cancel := context.WithTimeout(ctx, forSinks)
	defer cancel()
	if err := g.delivering.stop(limit); err != nil {
		g.log.Warn("a sink did not end in time, and is left behind; what it has not taken goes out after the next start")
	}
	return nil
}

// openSink opens one sink and begins to deliver to it. The runner owns it and closes it.
func (g *Gateway) openSink(ctx context.Context, site string, cfg config.Sink) (*sink, error) {
	to, err := cfg.Open(sinks.Env{Site: site, Log: g.log, Contexts: g, Reader: asker{g}, Requests: g, Folder: g.now.Load().cfg.Journal.Folder, Ports: lending.Ports{}, Reports: g.reportFile,
		Alarms: func(err error) { g.alarmsUnsent(cfg.Delivery.ID, err) }})
	if err != nil {
		return nil, fmt.Errorf("sink %s: %w", cfg.Delivery.ID, err)
	}
	deps := deliver.Deps{Board: g.board, Stamp: g.stamp, Destination: cfg.Settings.Destination(), Log: g.log}
	end := func() {}
	if _, ok := to.(sinks.Liver); ok {
		view := g.live.Subscribe(liveRoom)
		deps.Live, end = view.C, view.Close
	}
	s := &sink{cfg: cfg, runner: deliver.New(g.journal, to, cfg.Delivery, deps), secrets: g.fingerprints(cfg)}
	s.status, _ = to.(sinks.Statuser)
	s.states, _ = to.(sinks.StateShower)
	s.store, _ = to.(sinks.Storer)
	s.task = g.delivering.start(ctx, nil, func(ctx context.Context) {
		defer end()
		if err := s.runner.Run(ctx); err != nil {
			g.sinkEnded(cfg.Delivery.ID, err)
		}
	})
	return s, nil
}

// asker asks balances for whoever may ask over a sink.
type asker struct{ *Gateway }

// Read asks a balance, or does not where its answer could not be recorded.
func (a asker) Read(ctx context.Context, balance string, r record.ReadRequest) (record.ReadAnswer, error) {
	for _, c := range a.board.List() {
		if r.Record && console.StopsBalance(c, balance) {
			return record.ReadAnswer{}, &record.ContextRefused{Why: "The balance was not asked, since its answer could not be recorded. " + c.Sentence}
		}
	}
	return a.Gateway.Read(ctx, balance, r)
}

// Refused notes what somebody asked for who is not known.
func (a asker) Refused(what, sink, where, why string) {
	a.refusals.Note(what, "sink "+sink, why, record.Actor{By: record.ActorUnknown, Where: where})
}

func (g *Gateway) sinkEnded(id string, err error) {
	g.log.Error("a sink ended", "sink", id, "err", err)
	g.board.Raise(health.Condition{
		Code: health.SinkEnded, Subject: id, Severity: health.Error,
		Sentence: fmt.Sprintf("Nothing is delivered to %s any more: %v.", id, err),
		Remedy:   "Restart weighpost; what is in the journal goes out then.",
	})
}

// alarmsUnsent says that a sink cannot tell people what is wrong, or that it can again.
func (g *Gateway) alarmsUnsent(id string, err error) {
	if err == nil {
		g.board.Clear(health.SinkAlarms, id)
		return
	}
	g.board.Raise(health.Condition{
		Code: health.SinkAlarms, Subject: id, Severity: health.Warning,
		Sentence: fmt.Sprintf("Destination %s could not send a message about what is wrong: %.500s.", id, err),
		Remedy:   "It is tried again by itself, and nothing is forgotten meanwhile: look at the pages for what is wrong. Mend what the sentence names, such as the mail server or its password.",
	})
}

// showStatus says which sinks show what is wrong and how everything is, and shows them what is wrong.
func (g *Gateway) showStatus(list []*sink) {
	var shown []sinks.Statuser
	var states []sinks.StateShower
	for _, s := range list {
		if s.status != nil {
			shown = append(shown, s.status)
		}
		if s.states != nil {
			states = append(states, s.states)
		}
	}
	g.shown.Store(&shown)
	g.showers.Store(&states)
	g.tellStatus()
}

// tellStatus hands what is wrong to the sinks that show it: at first and after each change.
func (g *Gateway) tellStatus() {
	shown := g.shown.Load()
	if shown == nil || len(*shown) == 0 {
		return
	}
	if b, err := json.Marshal(g.board.List()); err == nil {
		for _, s := range *shown {
			s.Status(b)
		}
	}
}
