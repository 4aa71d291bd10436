package setup

import (
	"context"

	"weighpost/gateway/port"
)

// Opener opens a port once, as [port.Config.Open] does.
type Opener func(ctx context.Context, c port.Config) (port.Port, error)

// Open is the Opener of real ports.
func Open(ctx context.Context, c port.Config) (port.Port, error) { return c.Open(ctx) }
