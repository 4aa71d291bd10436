package clock

import (
	"math"
	"sync/atomic"
	"time"

	"weighpost/gateway/record"
)

// fresh is how much later than a reading an instant may be that is reckoned from it. Reading the raw clock is a system call
// on Linux, so that at thousands of lines a second most stamps share one.
const fresh = 10 * time.Millisecond

// Stamp writes t as a stamp. t is from time.Now of this process, with its monotonic reading, recent (every second of age may
// add up to 0.1 s to the bound if the system's clock is being slewed hard), and may be moved by Add. A time without a
// monotonic reading is an unchecked stamp. Stamp may be called from any goroutine and never waits.
func (c *Clock) Stamp(t time.Time) record.Stamp {
	wall := t.Round(0)
	if t == wall { // == also sees that there is no monotonic reading
		return c.unchecked(wall)
	}
	return c.stamp(t, wall)
}

// unchecked is a stamp of the system's clock.
func (c *Clock) unchecked(wall time.Time) record.Stamp {
	return record.Stamp{UTC: record.UTC(wall.UTC().Truncate(time.Microsecond)), Zone: c.zone.at(wall), Clock: record.ClockUnchecked}
}

// stamp is Stamp with the system's clock at t apart.
func (c *Clock) stamp(t, wall time.Time) record.Stamp {
	a := c.anchor.Load()
	if a == nil {
		return c.unchecked(wall)
	}
	r := c.near(t, wall)
	at := a.at(r, c.span(r, t, wall), c.ticker.guessed)
	bound := record.Span(at.bound)
	return record.Stamp{
		UTC: record.UTC(at.utc.Truncate(time.Microsecond)), Zone: c.zone.at(at.utc), Bound: &bound, Clock: at.state, Sources: a.sources,
	}
}

// near gives a reading that t can be reckoned from: the latest, or a new one if that is too old or the computer's clock
// jumped between the two, which is what a sleep or a step looks like.
func (c *Clock) near(t, wall time.Time) *Reading {
	r := c.recent.Load()
	if r != nil && t.Sub(r.Now) <= fresh && mismatch(r, t, wall) < sleepSlack {
		return r
	}
	now := c.ticker.read()
	c.recent.Store(&now)
	return &now
}

// mismatch is by how much the system's clock moved against the monotonic one between a reading and t: nothing, but for a
// sleep or a step.
func mismatch(r *Reading, t, wall time.Time) time.Duration {
	return (wall.Sub(r.Wall) - t.Sub(r.Now)).Abs()
}

// span is how far t is from a reading, and how far that may be off. A time daemon may slew Go's clock against the raw one;
// over times that lie between two readings it is seen how much. Where the computer's clock jumped between the reading and t,
// that may have been a sleep, and t may lie on either side of it.
func (c *Clock) span(r *Reading, t, wall time.Time) span {
	s := span{length: t.Sub(r.Now), off: mismatch(r, t, wall)}
	if !c.ticker.slewed {
		return s
	}
	off := drifted(s.length, hardSlewPPM)
	if p := c.past.Load(); p != nil && s.length < 0 && !t.Before(p.Now) {
		seen := (r.Raw - p.Raw - r.Now.Sub(p.Now)).Abs() + drifted(s.length, softSlewPPM) + p.Slack + r.Slack
		off = min(off, seen)
	}
	s.off += off
	return s
}

// zone writes the offset of the place, and remembers it until it changes.
type zone struct {
	place *time.Location
	known atomic.Pointer[zoneSpan]
}

type zoneSpan struct {
	from, to int64 // seconds since 1970; to is not part of it
	text     string
}

func (z *zone) at(t time.Time) string {
	s := t.Unix()
	if k := z.known.Load(); k != nil && s >= k.from && s < k.to {
		return k.text
	}
	here := t.In(z.place)
	k := &zoneSpan{from: math.MinInt64, to: math.MaxInt64, text: here.Format("-07:00")}
	from, to := here.ZoneBounds()
	if !from.IsZero() {
		k.from = from.Unix()
	}
	if !to.IsZero() {
		k.to = to.Unix()
	}
	z.known.Store(k)
	return k.text
}
