package gateway

import (
	"context"

	"weighpost/gateway/clock"
	"weighpost/gateway/record"
	"weighpost/gateway/timestamp/authority"
)

// keepTimestamps has the journal's head time-stamped by an outside authority, where one is configured.
func (g *Gateway) keepTimestamps(ctx context.Context) {
	k := authority.Keeper{
		Journal: g.journal, Config: func() authority.Config { return g.now.Load().cfg.Journal.Timestamp },
		Stamp: g.stamp, Health: g.board, Log: g.log,
	}
	k.Run(ctx)
}

// CorrectClock appends by how much the stamps of a span of entries were wrong: see clock.CorrectByHand.
func (g *Gateway) CorrectClock(ctx context.Context, c record.ClockCorrection) (record.ClockCorrectionAnswer, error) {
	return clock.CorrectByHand(ctx, g.journal, c, g.stamp())
}
