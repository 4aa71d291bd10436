//go:build !linux

package clock

import (
	"runtime"
	"time"
)

// slewPPM is by how much a time daemon slews a system's clock, and Go's monotonic one with it: the frequency tolerance
// MAXFREQ of RFC 5905 appendix A.1.1 (from memory). A daemon that slews faster breaks the bound.
const slewPPM = 500

// coarsePrecision is how finely the clock of Windows is read: it may move on only 64 times a second.
const coarsePrecision = 16 * time.Millisecond

// computer reads the Go runtime's monotonic clock. There is no portable way to a raw one, nor to the time spent asleep:
// what the system's clock gained on the monotonic one is a sleep or a step.
func computer() ticker {
	base, precision := time.Now(), finePrecision
	if runtime.GOOS == "windows" {
		precision = coarsePrecision
	}
	return ticker{
		name: "the Go runtime's monotonic clock", guessed: true, extraPPM: slewPPM, precision: precision,
		raw: func() time.Duration { return time.Since(base) },
		read: func() Reading {
			now := time.Now()
			wall, raw := now.Round(0), now.Sub(base)
			return Reading{Now: now, Wall: wall, Raw: raw, Asleep: wall.Sub(base.Round(0)) - raw, Slack: precision}
		},
	}
}
