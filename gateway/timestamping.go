package gateway

import (
	"context"

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
