package gateway

import (
	"context"
	"fmt"
	"time"

	"weighpost/gateway/intake"
	"weighpost/gateway/record"
)

// SetContext changes what a balance's next weighings are tied to, and returns what is held once the entry of the act is
// durable. The error is record.ErrNoBalance, a *record.ContextRefused, or that of ctx.
//
// What comes while nothing can be recorded, or later than its sender allows, is refused here: neither is the balance's affair.
func (g *Gateway) SetContext(ctx context.Context, balance string, r record.ContextRequest) (record.ContextView, error) {
	in, err := g.intakeOf(balance)
	if err != nil {
		return record.ContextView{}, err
	}
	if cause := g.journal.Stopped(); cause != nil {
		return in.Context(), &record.ContextRefused{Why: fmt.Sprintf("Nothing can be recorded now (%v), so nothing was changed: send it again when recording works.", cause)}
	}
	now, bound := g.stamp(), time.Duration(0)
	if now.Bound != nil {
		bound = time.Duration(*now.Bound)
	}
	if err := r.CheckAge(now.UTC.Time(), bound); err != nil {
		return in.Context(), err
	}
	if run := g.runs.At(balance); r.Step != "" && run != "" {
		err := g.stepRun(ctx, balance, run, &r)
		return in.Context(), err
	}
	return in.SetContext(ctx, r)
}

// ContextOf gives what a balance's next weighings are tied to, or record.ErrNoBalance.
func (g *Gateway) ContextOf(balance string) (record.ContextView, error) {
	in, err := g.intakeOf(balance)
	if err != nil {
		return record.ContextView{}, err
	}
	return in.Context(), nil
}

func (g *Gateway) intakeOf(balance string) (*intake.Intake, error) {
	now := g.now.Load()
	for _, b := range now.balances {
		if b.cfg.ID == balance && b.intake != nil {
			return b.intake, nil
		}
	}
	for i := range now.cfg.Balances {
		if now.cfg.Balances[i].ID == balance {
			return nil, &record.ContextRefused{Why: "Balance " + balance + " is not read yet, because weighpost is just starting: send it again in a moment."}
		}
	}
	return nil, record.ErrNoBalance
}
