package gateway

import (
	"context"

	"weighpost/gateway/console"
	"weighpost/gateway/fitness"
	"weighpost/gateway/port/tap"
)

// tapping is the tap of a balance and what runs it.
type tapping struct {
	*tap.Tap
	task *task
}

// openTap begins the tap of a balance that is read, if its configuration has one, once those tasks have ended that may have had
// its place before.
func (g *Gateway) openTap(ctx context.Context, b *balance, after []*task) {
	if b.tap = nil; b.intake == nil || b.cfg.Tap == nil {
		return
	}
	t := tap.New(*b.cfg.Tap, b.cfg.ID, g.board, g.log)
	t.OutOfServiceBy(func() bool { return g.closesTap(b.cfg.ID, b.cfg.Tap.OutOfService) })
	t.Attach(b.line)
	b.tap = &tapping{t, g.reading.start(ctx, after, t.Run)}
}

// closesTap says whether a tap does now what its configuration (mode) has for a balance that is out of service. Where that says nothing, it
// goes on under the policy that only marks weighings.
func (g *Gateway) closesTap(balance, mode string) bool {
	out, policy := g.fitness.Out(balance)
	return out && (mode != "" || policy != fitness.Mark)
}

// keepsTap says whether the tap of a balance goes on: where its configuration is the same. Another port changes nothing for it.
func (s balanceStep) keepsTap() bool { return s.old != nil && s.old.cfg.Tap.Same(s.next.cfg.Tap) }

// endTaps tells those taps to end that another configuration has changed or taken away.
func (c *change) endTaps(before *running) (ended []*task) {
	kept := map[*tapping]bool{}
	for _, s := range c.balances {
		if s.keepsTap() {
			kept[s.old.tap] = true
		}
	}
	for _, b := range before.balances {
		if b.tap != nil && !kept[b.tap] {
			b.tap.Attach(nil)
			b.tap.task.end()
			ended = append(ended, b.tap.task)
		}
	}
	return ended
}

// tapFacts gives the page a balance's tap, nil where it has none.
func (b *balance) tapFacts() *console.Tap {
	if b.tap == nil {
		return nil
	}
	s := b.tap.Status()
	return &console.Tap{Where: s.Where, Open: s.Open, Program: s.Program, Received: s.Received, Sent: s.Sent,
		LinesLeftOut: s.Left, LinesWithheld: s.Withheld, NotSent: s.Unsent, Why: s.Why, TurnedAway: s.Turned}
}
