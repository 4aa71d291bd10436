package gateway

import (
	"context"
	"fmt"
	"reflect"
	"slices"

	"weighpost/gateway/deliver"
	"weighpost/gateway/health"
	"weighpost/gateway/intake"
)

// carryOut makes a prepared change hold. Nothing in it can be refused any more. What it ends has until limit; what it starts
// lives until Stop or the next change.
func (g *Gateway) carryOut(ctx, limit context.Context, c *change) {
	before := g.now.Load()
	if !reflect.DeepEqual(before.cfg.Clock, c.next.cfg.Clock) {
		g.clock.Change(c.next.cfg.Clock)
	}
	for _, b := range before.balances {
		if b.task != nil && !c.goesOnReading(b) {
			b.task.end()
		}
	}
	for _, s := range before.sinks {
		if !c.goesOnDelivering(s) {
			s.task.end()
		}
	}
	c.next.balances = g.changeBalances(ctx, limit, c, before, c.endTaps(before))
	g.now.Store(c.next)

	whole := *c.next
	whole.sinks = g.changeSinks(ctx, limit, c, before)
	switch {
	case reflect.DeepEqual(before.cfg.Page, whole.cfg.Page):
		g.takeCertificate(before.page.certificate)
	case c.pageLater:
		g.movePageLater(ctx, whole.cfg, c)
	default:
		whole.page = g.changePage(ctx, limit, whole.cfg, before.page, c)
	}
	g.now.Store(&whole)
	if g.people != nil {
		g.people.Reload()
	}
	g.showStatus(whole.sinks)
}

func (c *change) goesOnReading(b *balance) bool {
	return slices.ContainsFunc(c.balances, func(s balanceStep) bool { return s.old == b && !s.line })
}

func (c *change) goesOnDelivering(one *sink) bool {
	return slices.ContainsFunc(c.sinks, func(s sinkStep) bool { return s.old == one && s.keep })
}

// changeBalances changes those whose port stays open between two frames. The others are told to end: once they have, and all
// that they received is on its way into the journal, the ports of this configuration are opened; and likewise the taps. taps are
// those that were told to end.
func (g *Gateway) changeBalances(ctx, limit context.Context, c *change, before *running, taps []*task) (list []*balance) {
	for _, s := range c.balances {
		if s.old != nil && !s.line {
			s.old.intake.Configure(s.next.cfg, c.next.software)
			g.useLayout(s)
		}
		list = append(list, s.next)
	}
	ended := taps
	for _, b := range before.balances {
		if b.task == nil || c.goesOnReading(b) {
			continue
		}
		ended = append(ended, b.task)
		if err := b.task.wait(limit); err != nil {
			g.log.Error("a balance's pipeline", "balance", b.cfg.ID, "err", err)
		}
	}
	for _, b := range before.balances {
		if !slices.ContainsFunc(c.balances, func(s balanceStep) bool { return s.old == b }) {
			intake.Forget(g.board, b.cfg.ID)
			g.board.Clear(health.BalanceIDTaken, b.cfg.ID)
			g.forgetFitness(b.cfg.ID)
		}
	}
	for _, s := range c.balances {
		if !s.keepsTap() {
			g.openTap(ctx, s.next, ended)
		} else if s.line && s.next.tap != nil {
			s.next.tap.Attach(s.next.line)
		}
		switch {
		case s.old == nil:
			g.read(ctx, s.next, ended, nil)
		case s.line:
			g.read(ctx, s.next, ended, func() {
				s.old.intake.Configure(s.next.cfg, c.next.software)
				if err := s.old.intake.UseLines(s.next.line, s.next.scanning()); err != nil {
					g.log.Error("a balance's port was not changed", "balance", s.next.cfg.ID, "err", err)
				}
				g.useLayout(s)
			})
		}
	}
	return list
}

func (g *Gateway) useLayout(s balanceStep) {
	if s.layout == nil {
		return
	}
	if err := s.old.intake.UseLayout(s.layout); err != nil {
		g.log.Error("the layout was not changed", "balance", s.next.cfg.ID, "err", err)
	}
}

// changeSinks opens what is new or different, each once the one before it under the same id has let go.
func (g *Gateway) changeSinks(ctx, limit context.Context, c *change, before *running) (list []*sink) {
	for _, s := range before.sinks {
		if c.goesOnDelivering(s) {
			continue
		}
		id := s.cfg.Delivery.ID
		if err := s.task.wait(limit); err != nil {
			g.sinkEnded(id, fmt.Errorf("it does not let go of what it delivers, so that it cannot be configured anew: %w", err))
			continue
		}
		deliver.Forget(g.board, id)
		g.board.Clear(health.SinkEnded, id)
	}
	for _, s := range c.sinks {
		if s.keep || s.old != nil && !s.old.task.over() {
			list = append(list, s.old)
			continue
		}
		fresh, err := g.openSink(ctx, c.next.cfg.Site, s.cfg)
		if err != nil { // a configuration that was checked can be opened
			g.sinkEnded(s.cfg.Delivery.ID, err)
			continue
		}
		list = append(list, fresh)
	}
	return list
}
