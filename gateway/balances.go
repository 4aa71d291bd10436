package gateway

import (
	"context"
	"fmt"

	"weighpost/gateway/config"
	"weighpost/gateway/health"
	"weighpost/gateway/intake"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// balance is one balance and what reads it. Where its id belongs to another one, nothing does: line, intake and task are nil.
type balance struct {
	cfg     intake.Config
	line    *port.Line
	scanner *port.Line // nil: it has none
	intake  *intake.Intake
	task    *task
	tap     *tapping // nil: it has none
}

// scanning gives the scanner's line as an intake takes it.
func (b *balance) scanning() intake.Line {
	if b.scanner == nil {
		return nil
	}
	return b.scanner
}

// openBalances opens the ports of all balances but those whose id belongs to another one.
func (g *Gateway) openBalances(ctx context.Context) error {
	now := *g.now.Load()
	g.life.onStop("the balances", sparing(forRest, g.reading.stop))
	for _, cfg := range now.cfg.Balances {
		if len(g.roster.Taken([]record.Balance{cfg.Describe("")})) > 0 {
			now.balances = append(now.balances, &balance{cfg: cfg})
			continue
		}
		b, err := g.newBalance(cfg, now.cfg, now.software)
		if err != nil {
			return err
		}
		g.openTap(ctx, b, nil)
		now.balances = append(now.balances, b)
	}
	g.now.Store(&now) // first: a run that is at a balance finds it before anything is read
	for _, b := range now.balances {
		if b.intake != nil {
			g.read(ctx, b, nil, nil)
		}
	}
	return nil
}

// holdBack says of each balance whose id belongs to another one that it is not recorded, and gives the others.
func (g *Gateway) holdBack(balances []record.Balance) (others []record.Balance) {
	held := map[string]bool{}
	for _, t := range g.roster.Taken(balances) {
		held[t.ID] = true
		g.board.Raise(health.Condition{
			Code: health.BalanceIDTaken, Subject: t.ID, Severity: health.Error,
			Sentence: fmt.Sprintf("Balance %s is not recorded: %s.", t.ID, t), Remedy: t.Remedy(),
		})
		g.log.Error("a balance is not recorded", "balance", t.ID, "why", t.String())
	}
	for _, b := range balances {
		if !held[b.ID] {
			others = append(others, b)
		}
	}
	return others
}

// newLines prepares the ports of a balance and of its scanner, which is nil where there is none. It opens nothing.
func (g *Gateway) newLines(cfg intake.Config) (line, scanner *port.Line) {
	if cfg.Scanner.HasPort() {
		scanner = port.NewLine(cfg.Scanner.Port, cfg.ScannerName(), g.board, g.log)
		scanner.Call("the scanner of balance " + cfg.ID)
	}
	line = port.NewLine(cfg.Port, cfg.ID, g.board, g.log)
	line.WatchStalls(&g.stalls)
	return line, scanner
}

// newBalance prepares the pipeline of a balance of whole. It opens nothing.
func (g *Gateway) newBalance(cfg intake.Config, whole *config.Config, software record.Software) (*balance, error) {
	b := &balance{cfg: cfg}
	b.line, b.scanner = g.newLines(cfg)
	var err error
	b.intake, err = intake.New(cfg, intake.Deps{
		Line: b.line, Scanner: b.scanning(), Layout: whole.Layout(cfg.ID), Recorder: g.journal,
		Live: &g.live, Clock: g.clock, Health: g.board, Software: software, Log: g.log,
		Spare: g.spare, Watched: g.live.Watched, Samples: g.samples, People: badges{g}, ShiftEnd: g.shiftEnd,
		BalanceCounts: func() bool { return g.now.Load().cfg.People.Session.BalanceCounts },
		Present:       func() { g.present(cfg.ID) },
		Fitness:       fit{g},
		Runs:          g.handScan,
		First:         func(ctx context.Context) { g.tieFirst(ctx, cfg.ID) },
	})
	return b, err
}

// read runs the pipeline of a balance, once those tasks have ended that had its port or its name before, and first was done.
func (g *Gateway) read(ctx context.Context, b *balance, after []*task, first func()) {
	b.task = g.reading.start(ctx, after, func(ctx context.Context) {
		if first != nil {
			first()
		}
		defer g.superviseBalance(b.cfg.ID, b.intake)()
		if err := b.intake.Run(ctx); err != nil {
			g.log.Error("a balance's pipeline ended with a fault", "balance", b.cfg.ID, "err", err)
		}
	})
}
