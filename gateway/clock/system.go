package clock

import (
	"time"

	"weighpost/gateway/record"
)

// System stamps with the clock of the operating system, unchecked.
type System struct{ Zone *time.Location }

// Stamp writes the instant t, taken by this process, as a stamp.
func (s System) Stamp(t time.Time) record.Stamp {
	zone := s.Zone
	if zone == nil {
		zone = time.Local
	}
	return record.Stamp{
		UTC:   record.UTC(t.UTC().Truncate(time.Microsecond)),
		Zone:  t.In(zone).Format("-07:00"),
		Clock: record.ClockUnchecked,
	}
}
