package gateway

import (
	"context"

	"weighpost/gateway/intake"
	"weighpost/gateway/record"
)

// SetContext changes what a balance's next weighings are tied to, and returns what is held once the entry of the act is
// durable. The error is record.ErrNoBalance, a *record.ContextRefused, or that of ctx.
func (g *Gateway) SetContext(ctx context.Context, balance string, r record.ContextRequest) (record.ContextView, error) {
	in, err := g.intakeOf(balance)
	if err != nil {
		return record.ContextView{}, err
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
	for _, b := range g.now.Load().balances {
		if b.cfg.ID == balance {
			return b.intake, nil
		}
	}
	return nil, record.ErrNoBalance
}
