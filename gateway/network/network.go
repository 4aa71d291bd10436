// Package network notices that this computer has no network at all, so that this is one condition and not one for each sink,
// device server and time server behind it. It sends nothing: it looks at the computer's own interfaces. A network that is
// there and leads nowhere is not noticed here; the far sides say so.
package network

import (
	"context"
	"net"
	"time"

	"weighpost/gateway/health"
)

const (
	lookEvery = 2 * time.Second
	// settling is how long the network must be away: an interface that gets its address anew is away for a moment.
	settling = 2
)

// Watch raises the condition while Up is false.
type Watch struct {
	Board *health.Board
	Up    func() bool // nil: Up
}

// Run watches until ctx ends, and then clears the condition.
func (w Watch) Run(ctx context.Context) {
	up := w.Up
	if up == nil {
		up = Up
	}
	defer w.Board.Clear(health.Network.Code, health.Network.Subject)
	ticker := time.NewTicker(lookEvery)
	defer ticker.Stop()
	for away := 0; ; {
		switch {
		case up():
			away = 0
			w.Board.Clear(health.Network.Code, health.Network.Subject)
		case away < settling:
			away++
		default:
			w.Board.Raise(health.Condition{
				Code: health.NetworkGone, Subject: health.Network.Subject, Severity: health.Warning,
				Sentence: "This computer has no network: no interface but its own loopback is up and has an address.",
				Remedy:   "Plug in its network cable, or mend its Wi-Fi. What was recorded stays in the journal and goes out by itself afterwards.",
			})
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

// Up says whether an interface other than loopback is up and running and has an address that other computers can reach. If
// the system does not say, it is taken to be up.
func Up() bool {
	list, err := net.Interfaces()
	if err != nil {
		return true
	}
	for _, i := range list {
		if i.Flags&net.FlagLoopback != 0 || i.Flags&net.FlagUp == 0 || i.Flags&net.FlagRunning == 0 {
			continue
		}
		addresses, err := i.Addrs()
		if err != nil {
			return true
		}
		for _, a := range addresses {
			if ip, ok := a.(*net.IPNet); ok && ip.IP.IsGlobalUnicast() {
				return true
			}
		}
	}
	return false
}
