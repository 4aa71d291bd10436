package intake

import (
	"time"

	"weighpost/gateway/record"
)

// stamps keeps the stamps of one balance from running backwards, but for once: when the time servers are heard for the first
// time and the computer's clock was ahead. Otherwise a computer that started in a wrong year would stamp so until that year
// comes. The entry clock-changed says by how much the stamps before it were wrong.
type stamps struct {
	latest time.Time
	clock  string        // the state of the clock then
	behind time.Duration // how far the clock is behind the latest stamp given
}

// next gives s, or, where the clock went back, s with the latest instant given.
func (t *stamps) next(s record.Stamp) record.Stamp {
	utc := s.UTC.Time()
	if t.clock == record.ClockUnchecked && s.Clock != record.ClockUnchecked {
		t.latest = time.Time{}
	}
	t.clock = s.Clock
	if t.behind = t.latest.Sub(utc); t.behind > 0 && !t.latest.IsZero() {
		s.UTC = record.UTC(t.latest)
		widen(&s, t.behind)
		return s
	}
	t.behind = 0
	t.latest = utc
	return s
}

// stallShown is from which wait in this computer on a stamp says so. Shorter ones happen in the best of times.
const stallShown = 100 * time.Millisecond

// frameStamp writes the beginning of a frame, at, as a stamp. Where the clock gives a bound, the bound grows by what the
// port's hardware may have held the frame back, and by what it may have waited here until it was read; where that is not
// known there is no bound.
func (in *Intake) frameStamp(at time.Time) record.Stamp {
	s := in.stamp(at)
	if in.waited < 0 {
		s.Bound = nil
		return s
	}
	widen(&s, in.latency+in.waited)
	if in.waited >= stallShown {
		stalled := record.Span(in.waited)
		s.Stalled = &stalled
	}
	return s
}

// widen makes the bound of a stamp larger, if it has one.
func widen(s *record.Stamp, by time.Duration) {
	if s.Bound != nil {
		wider := *s.Bound + record.Span(by)
		s.Bound = &wider
	}
}
