package deliver

import (
	"fmt"
	"strconv"
	"time"

	"weighpost/parsers/strict"
)

// What closes a batch: the end of an hour or a day in UTC, or a number of entries.
const (
	EachHour = "hour"
	EachDay  = "day"
)

// MostClosed is the greatest number of entries that a batch may be closed by.
const MostClosed = 1_000_000

// settling is how long after its end a period is closed when nothing later has come, and how much before its beginning the stamp of an
// entry may lie that belongs to it all the same: what several balances print at the turn of an hour is recorded in turn, not by time.
const settling = time.Minute

// closing is what closes the batches of a sink. The zero value: nothing does.
type closing struct {
	every time.Duration
	count uint64
}

// closingOf reads the key closed. ok is false where it says neither.
func closingOf(text string) (c closing, ok bool) {
	switch text {
	case "":
		return c, true
	case EachHour:
		return closing{every: time.Hour}, true
	case EachDay:
		return closing{every: 24 * time.Hour}, true
	}
	n, err := strconv.ParseUint(text, 10, 32)
	if err != nil || n < 1 || n > MostClosed || strconv.FormatUint(n, 10) != text {
		return c, false
	}
	return closing{count: n}, true
}

func (c closing) on() bool { return c != closing{} }

func (c *Config) checkClosed(r *strict.Report) {
	if _, ok := closingOf(c.Closed); !ok {
		r.Fault(fmt.Sprintf("%.40q closes no batch", c.Closed), fmt.Sprintf("hour, day, or a number of entries from 1 to %d", MostClosed))
	}
}

// period is the hour or the day in which a stamp lies; the zero time lies in none.
type period struct{ begin, end time.Time }

func (c closing) periodOf(at time.Time) period {
	if c.every == 0 || at.IsZero() {
		return period{}
	}
	begin := at.UTC().Truncate(c.every) // of the time since year 1 in UTC, whose hours and days begin as ours do
	return period{begin, begin.Add(c.every)}
}

// takes says whether an entry of a stamp belongs to the batch of a period. One without a stamp goes with those before it.
func (p period) takes(at time.Time) bool {
	return at.IsZero() || !at.Before(p.begin.Add(-settling)) && at.Before(p.end)
}

// over says whether nothing that happens from now on belongs to the batch: the period has ended a while ago, or the clock was set back
// to before it.
func (p period) over(now time.Time) bool {
	return !now.Before(p.end.Add(settling)) || now.Before(p.begin.Add(-settling))
}

// name is that of the batch. first is the place of its first entry. Once a later period was closed, as after the clock was wrong, the
// period alone may have named a batch before, and the place tells the two apart: no two batches begin at the same.
func (p period) name(every time.Duration, first uint64, closed time.Time) string {
	name := "undated"
	switch {
	case every == time.Hour && !p.begin.IsZero():
		name = p.begin.Format("2006-01-02T15")
	case !p.begin.IsZero():
		name = p.begin.Format("2006-01-02")
	}
	if p.begin.IsZero() || p.begin.Before(closed) {
		return fmt.Sprintf("%s-%06d", name, first)
	}
	return name
}
