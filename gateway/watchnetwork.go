package gateway

import (
	"context"

	"weighpost/gateway/network"
)

// watchNetwork notices that this computer has no network, for as long as the daemon runs.
func (g *Gateway) watchNetwork(ctx context.Context) error {
	var watching group
	watching.start(ctx, nil, network.Watch{Board: g.board}.Run)
	g.life.onStop("the watch over the network", watching.stop)
	return nil
}
