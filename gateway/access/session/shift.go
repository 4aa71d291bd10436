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
