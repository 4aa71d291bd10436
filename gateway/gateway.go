// Package gateway puts the rooms together into one running daemon. It owns the order in which they start and end, and
// nothing that they do: New prepares, Start starts, Stop ends what Start began. The same three calls run the daemon from
// the command line, inside the demo and inside a test.
package gateway

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"time"

	"weighpost/gateway/clock"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/health"
	"weighpost/gateway/intake"
	"weighpost/gateway/journal"
	"weighpost/gateway/live"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// liveRoom is how many readings of the continuous stream may wait for a sink that carries it; what comes then is dropped.
const liveRoom = 256

// Options is what a Gateway takes from its caller.
type Options struct {
	Log *slog.Logger // nil: nothing is logged
}

// Gateway is one daemon.
type Gateway struct {
	cfg      *config.Config
	log      *slog.Logger
	software record.Software
	clock    clock.System
	board    *health.Board
	live     live.Hub
	life     lifecycle

	journal *journal.Journal
	intakes []*intake.Intake
	runners []*deliver.Runner
	page    net.Listener
}

// New prepares a daemon. It opens nothing.
func New(cfg *config.Config, o Options) *Gateway {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Gateway{
		cfg: cfg, log: o.Log, board: health.New(time.Now),
		software: record.Software{Version: Version(), Config: cfg.Hash()},
	}
}

// Start opens the journal, the page, the sinks and the ports, in this order. After an error nothing is left running. ctx
// bounds the start only; what was started lives until Stop.
func (g *Gateway) Start(ctx context.Context) error {
	for _, start := range []func(context.Context) error{g.openJournal, g.openPage, g.openSinks, g.openBalances} {
		if err := start(ctx); err != nil {
			limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
			defer cancel()
			if undo := g.life.stop(limit); undo != nil {
				g.log.Error("after a failed start", "err", undo)
			}
			return err
		}
	}
	return nil
}

// Stop ends everything in reverse order: the ports first, then, once all that was received is journalled, the sinks, the
// page and the journal. ctx is the limit for all of it. Entries that no sink has had yet go out after the next start.
func (g *Gateway) Stop(ctx context.Context) error { return g.life.stop(ctx) }

func (g *Gateway) openJournal(ctx context.Context) error {
	j, err := journal.Open(ctx, journal.Options{
		Dir: g.cfg.Journal.Folder, Site: g.cfg.Site, OnState: g.recordingState, Log: g.log,
	})
	if err != nil {
		return err
	}
	g.journal = j
	g.life.onStop("the journal", func(context.Context) error { return j.Close() })
	if err := g.note(ctx, true); err != nil {
		return fmt.Errorf("the journal opened and does not record: %w", err)
	}
	g.life.onStop("the log of this run", func(ctx context.Context) error { return g.note(ctx, false) })
	return nil
}

// note appends that the daemon began or ended.
func (g *Gateway) note(ctx context.Context, started bool) error {
	entry := &record.Lifecycle{Started: started, Software: g.software, Stamp: g.clock.Stamp(time.Now())}
	if started {
		for i := range g.cfg.Balances {
			entry.Balances = append(entry.Balances, g.cfg.Balances[i].Describe(""))
		}
	}
	_, err := g.journal.Append(ctx, entry)
	return err
}

// recordingState turns what the journal says of itself, and logs itself, into a condition.
func (g *Gateway) recordingState(stopped bool, cause error) {
	if !stopped {
		g.board.Clear("recording-stopped", "journal")
		return
	}
	g.board.Raise(health.Condition{
		Code: "recording-stopped", Subject: "journal", Severity: health.Error,
		Sentence: fmt.Sprintf("Nothing is recorded: the journal in %s cannot be written (%v).", g.cfg.Journal.Folder, cause),
		Remedy:   "Free disk space or mend the disk; recording resumes by itself. Until then copy weights by hand.",
	})
}

func (g *Gateway) openPage(ctx context.Context) error {
	l, err := console.Listen(ctx, g.cfg.Page)
	if err != nil {
		return err
	}
	g.page = l
	server := console.New(console.Deps{
		Site: g.cfg.Site, Version: Version(), Source: g, Conditions: g.board, Live: &g.live, Log: g.log,
	})
	serving, inner := newGroup(ctx)
	serving.run(func() {
		if err := server.Serve(inner, l); err != nil {
			g.log.Error("the page stopped", "err", err)
			g.board.Raise(health.Condition{
				Code: "page-stopped", Subject: "page", Severity: health.Error,
				Sentence: fmt.Sprintf("The page is gone: %v.", err), Remedy: "Restart weighpost. Recording and delivery go on.",
			})
		}
	})
	g.life.onStop("the page", serving.stop)
	return nil
}

// PageURL is where the page is, once started.
func (g *Gateway) PageURL() string { return "http://" + g.page.Addr().String() + "/" }

func (g *Gateway) openSinks(ctx context.Context) error {
	delivering, inner := newGroup(ctx)
	g.life.onStop("deliveries", delivering.stop)
	for _, s := range g.cfg.Sinks {
		sink, err := s.Open(sinks.Env{Site: g.cfg.Site, Log: g.log})
		if err != nil {
			return fmt.Errorf("sink %s: %w", s.Delivery.ID, err)
		}
		g.deliver(delivering, inner, s.Delivery, sink)
	}
	return nil
}

// deliver runs one sink. The runner owns the sink and closes it.
func (g *Gateway) deliver(in *group, ctx context.Context, cfg deliver.Config, sink sinks.Sink) {
	deps := deliver.Deps{Board: g.board, Stamp: func() record.Stamp { return g.clock.Stamp(time.Now()) }, Log: g.log}
	end := func() {}
	if _, ok := sink.(sinks.Liver); ok {
		view := g.live.Subscribe(liveRoom)
		deps.Live, end = view.C, view.Close
	}
	if s, ok := sink.(sinks.Statuser); ok {
		g.showConditions(s)
	}
	runner := deliver.New(g.journal, sink, cfg, deps)
	g.runners = append(g.runners, runner)
	in.run(func() {
		defer end()
		if err := runner.Run(ctx); err != nil {
			g.log.Error("a sink ended", "sink", cfg.ID, "err", err)
			g.board.Raise(health.Condition{
				Code: "sink-ended", Subject: cfg.ID, Severity: health.Error,
				Sentence: fmt.Sprintf("Nothing is delivered to %s any more: %v.", cfg.ID, err),
				Remedy:   "Restart weighpost; what is in the journal goes out then.",
			})
		}
	})
}

// showConditions hands what is wrong to a sink that shows it, now and after each change.
func (g *Gateway) showConditions(s sinks.Statuser) {
	tell := func() {
		if b, err := json.Marshal(g.board.List()); err == nil {
			s.Status(b)
		}
	}
	g.board.OnChange(tell)
	tell()
}

func (g *Gateway) openBalances(ctx context.Context) error {
	reading, inner := newGroup(ctx)
	for i := range g.cfg.Balances {
		b := g.cfg.Balances[i]
		in, err := intake.New(b, intake.Deps{
			Line: port.NewLine(b.Port, b.ID, g.board, g.log), Layout: g.cfg.Layout(b.ID), Recorder: g.journal,
			Live: &g.live, Clock: g.clock, Health: g.board, Software: g.software, Log: g.log,
		})
		if err != nil {
			return err
		}
		g.intakes = append(g.intakes, in)
		reading.run(func() {
			if err := in.Run(inner); err != nil {
				g.log.Error("a balance's pipeline ended with a fault", "balance", b.ID, "err", err)
			}
		})
	}
	g.life.onStop("the balances", reading.stop)
	return nil
}
