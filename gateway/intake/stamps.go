package intake

import (
	"time"

	"weighpost/gateway/record"
)

// stamps keeps the stamps of one balance from running backwards.
type stamps struct {
	latest time.Time
	behind time.Duration // how far the clock is behind the latest stamp given
}

// next gives s, or, where the clock went back, s with the latest instant given.
func (t *stamps) next(s record.Stamp) record.Stamp {
	utc := s.UTC.Time()
	if t.behind = t.latest.Sub(utc); t.behind > 0 && !t.latest.IsZero() {
		s.UTC = record.UTC(t.latest)
		return s
	}
	t.behind = 0
	t.latest = utc
	return s
}
