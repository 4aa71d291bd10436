package gateway

import (
	"context"
	"fmt"

	"weighpost/gateway/record"
)

// Read asks a balance for its weight: see intake.Read. The error may also be record.ErrNoBalance.
func (g *Gateway) Read(ctx context.Context, balance string, r record.ReadRequest) (record.ReadAnswer, error) {
	in, err := g.intakeOf(balance)
	if err != nil {
		return record.ReadAnswer{}, err
	}
	if cause := g.journal.Stopped(); cause != nil && r.Record {
		return record.ReadAnswer{}, fmt.Errorf("nothing can be recorded now (%w), so balance %s was not asked: %w", cause, balance, record.ErrUnrecorded)
	}
	return in.Read(ctx, r)
}

// Commands lists what a balance can be sent. The error is record.ErrNoBalance, or a *record.ContextRefused where the balance
// is not read yet.
func (g *Gateway) Commands(balance string) ([]record.CommandInfo, error) {
	in, err := g.intakeOf(balance)
	if err != nil {
		return nil, err
	}
	return in.Commands(), nil
}

// Command sends a balance one of its commands: see intake.Command. The error may also be record.ErrNoBalance.
func (g *Gateway) Command(ctx context.Context, balance string, r record.CommandRequest) (record.CommandAnswer, error) {
	in, err := g.intakeOf(balance)
	if err != nil {
		return record.CommandAnswer{}, err
	}
	if cause := g.journal.Stopped(); cause != nil {
		return record.CommandAnswer{}, fmt.Errorf("nothing can be recorded now (%w), so nothing was sent to balance %s: %w", cause, balance, record.ErrUnrecorded)
	}
	return in.Command(ctx, r)
}
