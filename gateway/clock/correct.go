package clock

import (
	"fmt"
	"time"

	"weighpost/gateway/record"
)

// stampReach is how much earlier than the first reading of a stretch its stamps may be: a frame is stamped by its beginning.
const stampReach = 5 * time.Second

// maxStretches is how many stretches of unchecked stamps are told apart. A clock that is set more often than that before the
// servers are heard for the first time loses the oldest: their stamps stay unchecked, and no entry corrects them.
const maxStretches = 32

// stretch is a span of entries whose stamps were the computer's own clock, and what that clock was seen to say meanwhile. It
// ends where that clock was set or the computer slept.
type stretch struct {
	from, to         uint64 // sequences of its first entry and of its last; to 0: it goes on
	first, last      Reading
	earlier, further Reading // where the clock was the least and the most ahead of the raw one
	slept            bool    // it began with the end of a sleep
}

// sure is the last agreement of the time servers, before which nothing can be said to be wrong.
type sure struct {
	head uint64 // the last entry recorded then
	utc  time.Time
}

// ahead is by how much the system's clock is ahead of the raw one, the time asleep included.
func ahead(r *Reading) time.Duration {
	return time.Duration(r.Wall.UnixNano()) - r.Raw - r.Asleep
}

// anew begins a stretch at a reading, the first or one after a jump.
func (c *Clock) anew(r *Reading, slept bool) {
	if c.head == nil {
		return
	}
	if len(c.stretches) == maxStretches {
		c.stretches = c.stretches[1:]
	}
	if n := len(c.stretches); n > 0 && c.stretches[n-1].to == 0 {
		// What came since the last look may be stamped on either side of the jump, and is left out.
		c.stretches[n-1].to = c.looked
	}
	c.looked = c.head()
	c.stretches = append(c.stretches, stretch{from: c.looked + 1, first: *r, last: *r, earlier: *r, further: *r, slept: slept})
}

// goOn takes what the system's clock says now into the stretch that goes on, while the time was never checked.
func (c *Clock) goOn(r *Reading) {
	if c.head == nil || len(c.stretches) == 0 || c.anchor.Load() != nil {
		return
	}
	s := &c.stretches[len(c.stretches)-1]
	s.last = *r
	if ahead(r) < ahead(&s.earlier) {
		s.earlier = *r
	}
	if ahead(r) > ahead(&s.further) {
		s.further = *r
	}
	c.looked = c.head()
}

// correctUnchecked says by how much the stamps were wrong that were given before the first agreement, a. A stretch that
// cannot be told from a right one is left out. The stretches are done with then. It stands on what every bound stands on: that
// the raw clock drifts by no more than declared.
func (c *Clock) correctUnchecked(r *Reading, a *anchor) (list []*record.ClockCorrected) {
	c.goOn(r)
	for i, s := range c.stretches {
		if s.to != 0 && s.to < s.from {
			continue // nothing was recorded in it
		}
		var sleeps time.Duration // each has an error of its own
		for _, later := range c.stretches[i+1:] {
			if later.slept {
				sleeps += sleepError
			}
		}
		low, high := time.Duration(never), -time.Duration(never)
		for _, at := range []*Reading{&s.first, &s.last, &s.earlier, &s.further} {
			then := a.now(at, c.ticker.guessed)
			off := then.utc.Sub(at.Wall)
			low, high = min(low, off-then.bound-sleeps), max(high, off+then.bound+sleeps)
		}
		offset, bound := middle(low, high)
		if offset.Abs() <= bound {
			continue
		}
		list = append(list, byItself(&record.ClockCorrected{
			From: s.from, To: s.to, FromUTC: stamped(s.first.Wall.Add(-stampReach)), ToUTC: stamped(s.last.Wall), Clock: record.ClockUnchecked,
			Offset: record.Offset(offset), Bound: record.Span(bound),
			Why: fmt.Sprintf("The time servers agree now. Until then the stamps were those of the computer's own clock, which was %s s %s.",
				signed(offset)[1:], behindOrAhead(offset)),
		}))
	}
	c.stretches = nil
	return list
}

// correctContradicted says by how much the stamps since the last agreement were wrong: at the end of that time by step, at its
// beginning by nothing, and when it began is not known. So the middle is given, with a bound that reaches both ends. Beside that
// each stamp may be off by what it claims, which at the end is the most.
func (c *Clock) correctContradicted(was instant, step, half time.Duration) *record.ClockCorrected {
	if c.head == nil || c.sure.utc.IsZero() {
		return nil
	}
	to := c.head()
	if to <= c.sure.head {
		return nil // nothing was recorded meanwhile
	}
	off := half + was.bound
	offset, bound := middle(min(0, step-off)-was.bound, max(0, step+off)+was.bound)
	return byItself(&record.ClockCorrected{
		From: c.sure.head + 1, To: to, FromUTC: stamped(c.sure.utc.Add(-stampReach)), ToUTC: stamped(was.utc),
		Offset: record.Offset(offset), Bound: record.Span(bound),
		Why: fmt.Sprintf("The time servers agree on a time %s s from that of the stamps, which claimed to be right within %s s. They last agreed with "+
			"the stamps before this span, and when in it the clock went wrong is not known: the middle is given, with a bound that reaches both ends.",
			signed(step), signed(was.bound)[1:]),
	})
}

// agreedNow remembers an agreement, once it is the anchor.
func (c *Clock) agreedNow(r *Reading) {
	if c.head != nil {
		c.sure = sure{head: c.head(), utc: c.current(r).utc}
	}
}

// noteWrong makes entries of corrections, behind that of the change that showed them.
func (c *Clock) noteWrong(r *Reading, list ...*record.ClockCorrected) {
	for _, e := range list {
		e.Stamp = c.stamp(r.Now, r.Wall)
		c.book.put(e)
	}
}

func byItself(e *record.ClockCorrected) *record.ClockCorrected {
	e.By = record.Actor{ID: "weighpost", By: record.ActorSoftware}
	return e
}

// middle writes an interval as its middle and half its length, whole microseconds, rounded so that it covers the interval.
func middle(low, high time.Duration) (mid, half time.Duration) {
	mid = (low/2 + high/2).Truncate(time.Microsecond)
	return mid, max(high-mid, mid-low)
}

func stamped(t time.Time) record.UTC { return record.UTC(t.UTC().Truncate(time.Microsecond)) }
