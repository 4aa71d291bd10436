package gateway

import (
	"context"

	"weighpost/gateway/config"
	"weighpost/gateway/intake"
	"weighpost/gateway/port"
	"weighpost/gateway/record"
)

// balance is one balance and what reads it.
type balance struct {
	cfg    intake.Config
	line   *port.Line
	intake *intake.Intake
	task   *task
}

func (g *Gateway) openBalances(ctx context.Context) error {
	now := *g.now.Load()
	g.life.onStop("the balances", g.reading.stop)
	for _, cfg := range now.cfg.Balances {
		b, err := g.newBalance(cfg, now.cfg, now.software)
		if err != nil {
			return err
		}
		g.read(ctx, b, nil)
		now.balances = append(now.balances, b)
	}
	g.now.Store(&now)
	return nil
}

// newBalance prepares the pipeline of a balance of whole. It opens nothing.
func (g *Gateway) newBalance(cfg intake.Config, whole *config.Config, software record.Software) (*balance, error) {
	b := &balance{cfg: cfg, line: port.NewLine(cfg.Port, cfg.ID, g.board, g.log)}
	b.line.WatchStalls(&g.stalls)
	var scanner intake.Line
	if cfg.Scanner != nil {
		scanner = port.NewLine(cfg.Scanner.Port, cfg.ScannerName(), g.board, g.log)
	}
	var err error
	b.intake, err = intake.New(cfg, intake.Deps{
		Line: b.line, Scanner: scanner, Layout: whole.Layout(cfg.ID), Recorder: g.journal,
		Live: &g.live, Clock: g.clock, Health: g.board, Software: software, Log: g.log,
		Spare: g.spare,
	})
	return b, err
}

// read runs the pipeline of a balance, once those tasks have ended that had its port or its name before.
func (g *Gateway) read(ctx context.Context, b *balance, after []*task) {
	b.task = g.reading.start(ctx, after, func(ctx context.Context) {
		defer g.superviseBalance(b.cfg.ID, b.intake)()
		if err := b.intake.Run(ctx); err != nil {
			g.log.Error("a balance's pipeline ended with a fault", "balance", b.cfg.ID, "err", err)
		}
	})
}
