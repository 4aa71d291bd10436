package clock

import (
	"time"

	"golang.org/x/sys/unix"
)

// tries is how often the clocks are read again when something came between, and goodSlack is what needs no other try.
const (
	tries     = 4
	goodSlack = 50 * time.Microsecond
)

// computer reads this computer's clocks: CLOCK_MONOTONIC_RAW, which no daemon slews, and CLOCK_BOOTTIME, which goes on while
// the computer sleeps.
func computer() ticker {
	base := time.Now()
	once := func() Reading {
		before := time.Now()
		raw := get(unix.CLOCK_MONOTONIC_RAW)
		boot := get(unix.CLOCK_BOOTTIME)
		after := time.Now()
		return Reading{
			Now: before, Wall: before.Round(0), Raw: raw, Asleep: boot - before.Sub(base), Slack: after.Sub(before),
		}
	}
	return ticker{
		name: "CLOCK_MONOTONIC_RAW", slewed: true, precision: finePrecision,
		raw: func() time.Duration { return get(unix.CLOCK_MONOTONIC_RAW) },
		read: func() Reading {
			best := once()
			for i := 1; i < tries && best.Slack > goodSlack; i++ {
				if r := once(); r.Slack < best.Slack {
					best = r
				}
			}
			return best
		},
	}
}

// get reads one clock. Both have been in every kernel since Linux 2.6.39, so that an error means a computer that cannot be.
func get(id int32) time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(id, &ts); err != nil {
		panic("clock: the kernel does not tell the time: " + err.Error())
	}
	return time.Duration(ts.Nano())
}
