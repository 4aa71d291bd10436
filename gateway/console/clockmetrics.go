package console

import (
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

var (
	clockState    = describe("clock_state", "1 for the state that the clock is in: checked, holdover or unchecked.", "state")
	clockBound    = describe("clock_bound_seconds", "How far a stamp may be wrong; absent where that is not known.")
	clockOffset   = describe("clock_offset_seconds", "Of a server's time from the computer's clock, at its last usable answer.", "server")
	clockDistance = describe("clock_root_distance_seconds", "How far a server's time may be wrong as seen from here.", "server")
	clockServer   = describe("clock_server", "1 for the verdict on a server: agreeing, falseticker, undecided, silent or refused.", "server", "verdict")
)

// collectClock gives the clock's numbers. A server that is named twice counts once: a metric may not be given twice.
func collectClock(c Clock, send func(*prometheus.Desc, prometheus.ValueType, float64, ...string)) {
	gauge := prometheus.GaugeValue
	for _, state := range []string{"checked", "holdover", "unchecked"} {
		send(clockState, gauge, truth(c.State == state), state)
	}
	if c.Bound != nil {
		send(clockBound, gauge, time.Duration(*c.Bound).Seconds())
	}
	seen := map[string]bool{}
	for _, s := range c.Servers {
		if seen[s.Address] {
			continue
		}
		seen[s.Address] = true
		send(clockServer, gauge, 1, s.Address, s.Verdict)
		if s.Offset != nil {
			send(clockOffset, gauge, *s.Offset, s.Address)
		}
		if s.Distance != nil {
			send(clockDistance, gauge, *s.Distance, s.Address)
		}
	}
}
