package intake

import (
	"time"

	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

// verdict is what a capture rule says of one reading.
type verdict uint8

const (
	passing verdict = iota // live only
	recorded
	held   // recorded at the end of the period, unless a later reading of the period replaces it
	unread // journalled as a frame without a value, so that nothing printed is lost
)

// capture is the capture rule of one balance with its state. It knows no clock.
type capture struct {
	rule     Rule
	settling *settling // for the rule settled
	period   period    // for the rule every
}

func newCapture(rule Rule, d Quantity) *capture {
	c := &capture{rule: rule}
	if rule.Kind == Settling {
		c.settling = newSettling(rule.Settled, d)
	}
	c.period.length = time.Duration(rule.Every)
	return c
}

// decide takes the next reading. For unread, why is the reason.
func (c *capture) decide(r *layout.Reading, at time.Time) (v verdict, why string) {
	switch c.rule.Kind {
	case Settling:
		if c.settling.feed(r, at) {
			return recorded, ""
		}
		return passing, ""
	case Periodic:
		if weighable(r) {
			return held, ""
		}
		return passing, ""
	}
	switch {
	case r.Range == layout.OverRange:
		return unread, "over range: the balance printed no value"
	case r.Range == layout.UnderRange:
		return unread, "under range: the balance printed no value"
	case !r.HasNumber:
		return passing, ""
	case !weighable(r):
		return unread, "the number has no unit: a number without a unit is not a weighing"
	}
	return recorded, ""
}

// breakOff says that the stream was interrupted.
func (c *capture) breakOff() {
	if c.settling != nil {
		c.settling.breakRun()
	}
}

// disturb says that a command was sent to the balance.
func (c *capture) disturb() {
	if c.settling != nil {
		c.settling.disturb()
	}
}

// weighable says whether a reading can be recorded: it has a number in range, and a unit.
func weighable(r *layout.Reading) bool {
	return r.Range == layout.InRange && r.HasNumber && r.Unit != (unit.Unit{})
}

// isMass says whether a reading can be a weighing.
func isMass(r *layout.Reading) bool { return weighable(r) && r.Quantity == unit.Mass }

// period keeps the latest reading of each period. A period begins with the first reading after the one before has ended.
type period struct {
	length time.Duration
	ends   time.Time // zero: none has begun
	latest *ticket
}

// put takes the reading of the given time. The caller has called due first.
func (p *period) put(t *ticket, at time.Time) {
	if p.ends.IsZero() {
		p.ends = at.Add(p.length)
	}
	p.latest = t
}

// due gives what is kept once its period has ended, or nil. The cadence goes on as long as each period has a reading.
func (p *period) due(now time.Time) *ticket {
	if p.ends.IsZero() || now.Before(p.ends) {
		return nil
	}
	t := p.latest
	p.latest = nil
	if t == nil || now.Sub(p.ends) >= p.length {
		p.ends = time.Time{}
	} else {
		p.ends = p.ends.Add(p.length)
	}
	return t
}

// isTare says whether a kind of value says nothing of the load.
func isTare(k layout.Kind) bool { return k == layout.KindTare || k == layout.KindPresetTare }
