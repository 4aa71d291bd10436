package clock

import (
	"math"
	"time"

	"weighpost/gateway/record"
)

// A sleep is timed by the battery clock: read in whole seconds at both ends, and no better than a wrist watch between.
const (
	sleepError = 2 * time.Second
	sleepPPM   = 200
)

// hardSlewPPM is the fastest that Linux slews CLOCK_MONOTONIC: adjtimex allows 10 % by tick and 500 ppm by frequency, and
// adjtime another 500 ppm.
const hardSlewPPM = 101_000

// softSlewPPM is by how much the slew may have turned within one tick beyond what the tick itself shows.
const softSlewPPM = 500

// truncation is what a stamp loses by ending at microseconds.
const truncation = time.Microsecond

const never = math.MaxInt64

// anchor is one agreement: what UTC was at a reading of the raw clock. It is never changed once made.
type anchor struct {
	raw     time.Duration // the raw clock then
	offset  int64         // UTC less the raw clock, nanoseconds since 1970
	half    time.Duration // how far off the offset may be
	asleep  time.Duration // Reading.Asleep then
	sleeps  int           // noticed since then: each has an error of its own
	noticed time.Duration // Reading.Asleep when the last of them was
	leap    int64         // UTC, nanoseconds since 1970, from which a leap second may have come between; or never
	sources int           // servers that agreed
	ppm     int64         // declared drift
	ceiling time.Duration
}

// instant is a point in time as the clock sees it.
type instant struct {
	utc   time.Time
	bound time.Duration
	state string
	slept time.Duration // since the anchor
	leapt bool          // a leap second may have come since the anchor
}

// span is a piece of time on the Go runtime's clock before or after a reading, and how far it may be off on the raw clock.
type span struct{ length, off time.Duration }

// at says what UTC was, is or will be, a span away from a reading.
func (a *anchor) at(r *Reading, s span, guessed bool) instant {
	raw := r.Raw + s.length
	bound := a.half + drifted(raw-a.raw, a.ppm) + s.off + r.Slack + truncation
	gone := slept(a.asleep, r.Asleep, r.Slack)
	if gone != 0 {
		bound += a.sleepErrors(r) + drifted(gone, sleepPPM)
		if guessed {
			bound += gone.Abs() // a step, then: the raw clock did not stand still
		}
	}
	at := instant{state: record.ClockChecked, slept: gone}
	utc := a.offset + int64(raw+gone)
	if utc >= a.leap {
		at.leapt = true
		bound += time.Second
	}
	at.utc, at.bound = time.Unix(0, utc).UTC(), bound
	if gone != 0 || bound > a.ceiling {
		at.state = record.ClockHoldover
	}
	return at
}

// sleepErrors is how far off the computer may be for all times that it fell asleep and woke up since the anchor.
func (a *anchor) sleepErrors(r *Reading) time.Duration {
	n := a.sleeps
	if n == 0 || slept(a.noticed, r.Asleep, r.Slack) > 0 {
		n++ // one that nothing has looked for yet
	}
	return time.Duration(n) * sleepError
}

// now is the instant of the reading itself.
func (a *anchor) now(r *Reading, guessed bool) instant { return a.at(r, span{}, guessed) }

// monthEnd is the first instant of the month after t, where leap seconds come in (RFC 5905 section 7.3, leap indicator).
func monthEnd(t time.Time) int64 {
	t = t.UTC()
	return time.Date(t.Year(), t.Month()+1, 1, 0, 0, 0, 0, time.UTC).Add(-time.Second).UnixNano()
}
