package gateway

import (
	"context"
	"errors"

	"weighpost/gateway/console"
	"weighpost/gateway/port"
)

// TryPort opens the port of a balance, and that of its scanner, at once where they wait for their next attempt: see console.Ports.
func (g *Gateway) TryPort(ctx context.Context, balance string) error {
	if _, err := g.intakeOf(balance); err != nil {
		return err
	}
	for _, b := range g.now.Load().balances {
		if b.cfg.ID != balance || b.line == nil {
			continue
		}
		if b.scanner != nil {
			if err := tried(b.scanner.Try(ctx)); err != nil {
				return err
			}
		}
		return tried(b.line.Try(ctx))
	}
	return nil
}

// tried says why a port did not open, as the console tells it.
func tried(err error) error {
	var trouble *port.Trouble
	if errors.As(err, &trouble) {
		return &console.PortShut{Why: trouble.Sentence + " " + trouble.Remedy}
	}
	return err
}
