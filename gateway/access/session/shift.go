package session

import (
	"fmt"
	"time"
)

// TimeOfDay is a time on the clocks of a place, such as 14:00.
type TimeOfDay struct{ Hour, Minute int }

// ParseTimeOfDay reads HH:MM, 00:00 to 23:59.
func ParseTimeOfDay(s string) (TimeOfDay, error) {
	at, err := time.Parse("15:04", s)
	if err != nil || len(s) != 5 {
		return TimeOfDay{}, fmt.Errorf("it is no time of day: 00:00 to 23:59")
	}
	return TimeOfDay{at.Hour(), at.Minute()}, nil
}

// String is the inverse of ParseTimeOfDay.
func (t TimeOfDay) String() string { return fmt.Sprintf("%02d:%02d", t.Hour, t.Minute) }

// nextShift gives the first end of a shift after a moment; the zero time where there is none.
func (t *Table) nextShift(after time.Time) time.Time {
	if t.o.Shifts == nil {
		return time.Time{}
	}
	ends, loc := t.o.Shifts()
	return Next(ends, loc, after)
}

// Next gives the first moment after another at which clocks in loc show one of the times; the zero time where there are none.
// Where the clocks go back and show a time twice, it is the first one only; where they go forward over it, it is the moment at
// which they do.
func Next(ends []TimeOfDay, loc *time.Location, after time.Time) time.Time {
	var next time.Time
	y, m, d := after.In(loc).Date()
	for day := d - 1; day <= d+2; day++ { // a place can leave out a whole day
		for _, end := range ends {
			at := moment(y, m, day, end, loc)
			if at.After(after) && (next.IsZero() || at.Before(next)) {
				next = at
			}
		}
	}
	return next
}

// moment gives when clocks in loc first show a time on a day. The standard library does not say which of two moments it takes,
// nor what it makes of a time that is left out.
func moment(y int, m time.Month, d int, at TimeOfDay, loc *time.Location) time.Time {
	shown := time.Date(y, m, d, at.Hour, at.Minute, 0, 0, time.UTC).Unix() // as if the clocks showed UTC
	from, to := time.Unix(shown, 0).Add(-36*time.Hour), time.Unix(shown, 0).Add(36*time.Hour)
	var change time.Time // where the clocks change near by
	for t := from; ; {
		_, offset := t.In(loc).Zone()
		start, end := t.In(loc).ZoneBounds()
		got := time.Unix(shown-int64(offset), 0)
		if !got.Before(start) && (end.IsZero() || got.Before(end)) {
			return got.In(loc) // the earliest span of time in which the clocks show it
		}
		if got.Before(start) { // this span begins after that time: the clocks went over it
			return change.In(loc)
		}
		if end.IsZero() || end.After(to) {
			return got.In(loc)
		}
		t, change = end, end
	}
}
