package record

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Clock states of a stamp.
const (
	ClockChecked   = "checked"
	ClockHoldover  = "holdover"
	ClockUnchecked = "unchecked"
)

// Stamp says when, how surely, and by which clock.
type Stamp struct {
	UTC   UTC    `json:"utc"`
	Zone  string `json:"zone"` // offset of the place at that instant, "+01:00": for people, never for arithmetic
	Bound *Span  `json:"bound_s" nullable:"true"`
	Clock string `json:"clock"`
	// Sources is how many time servers agreed.
	Sources int `json:"sources"`
	// Stalled is how long the frame may have waited in this computer before it was read, where that was 0.1 s or more:
	// weighpost was held up, and the UTC is as late as that. Bound includes it.
	Stalled        *Span  `json:"stalled_s,omitempty"`
	BalancePrinted string `json:"balance_printed,omitempty"` // the balance's own date and time, as printed
}

// There is the instant by the clocks of the place, with the offset that Zone says; in UTC, and false, where it says none. The offset is fixed:
// no zone of the computer is looked up.
func (s Stamp) There() (at time.Time, known bool) {
	at = s.UTC.Time().UTC()
	offset, err := time.Parse("-07:00", s.Zone)
	if err != nil {
		return at, false
	}
	_, seconds := offset.Zone()
	return at.In(time.FixedZone("", seconds)), true
}

// UTC is an instant, written in JSON as RFC 3339 with six decimals and Z.
type UTC time.Time

const utcForm = "2006-01-02T15:04:05.000000Z"

// Time gives the instant as the standard library has it.
func (u UTC) Time() time.Time { return time.Time(u) }

func (u UTC) String() string { return time.Time(u).UTC().Format(utcForm) }

// MarshalJSON writes "2026-11-25T10:04:05.123456Z". What is finer than a microsecond is cut off. A year that has not four
// digits is an error.
func (u UTC) MarshalJSON() ([]byte, error) {
	if y := time.Time(u).UTC().Year(); y < 0 || y > 9999 {
		return nil, fmt.Errorf("an instant in the year %d cannot be written: RFC 3339 has four digits for the year", y)
	}
	return []byte(`"` + u.String() + `"`), nil
}

// UnmarshalJSON reads what MarshalJSON writes, and any other RFC 3339 instant in upper case but for leap seconds, which a
// time.Time cannot hold.
func (u *UTC) UnmarshalJSON(b []byte) error {
	var s string
	if n := len(b); n > 2 && b[0] == '"' && bytes.IndexByte(b, '\\') < 0 {
		s = string(b[1 : n-1])
	} else if err := json.Unmarshal(b, &s); err != nil {
		return err
	}
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil || strings.Contains(s, ",") || offsetTooFar(s) {
		return fmt.Errorf("%q is no RFC 3339 instant: write it as 2026-11-25T10:04:05.123456Z", s)
	}
	*u = UTC(t.UTC())
	return nil
}

// offsetTooFar finds offsets such as +24:00, which time.Parse lets pass and RFC 3339 section 5.6 (time-hour) does not.
func offsetTooFar(s string) bool {
	return !strings.HasSuffix(s, "Z") && s[len(s)-5:len(s)-3] > "23"
}

// Span is a length of time, written in JSON as a decimal number of seconds with microseconds, and never through a float.
type Span time.Duration

// MarshalJSON writes 0.021. What is finer than a microsecond is rounded up, so that a bound stays a bound.
func (s Span) MarshalJSON() ([]byte, error) {
	if s < 0 {
		return nil, fmt.Errorf("a span of time cannot be negative")
	}
	us := (uint64(s) + 999) / 1000
	text := fmt.Sprintf("%d.%06d", us/1_000_000, us%1_000_000)
	return []byte(strings.TrimSuffix(strings.TrimRight(text, "0"), ".")), nil
}

// UnmarshalJSON reads a plain decimal number of seconds with at most nine decimals.
func (s *Span) UnmarshalJSON(b []byte) error {
	whole, part, _ := bytes.Cut(b, []byte("."))
	n, err := strconv.ParseUint(string(whole), 10, 33)
	if err != nil || len(part) > 9 {
		return fmt.Errorf("%s is no length of time in seconds", b)
	}
	frac := uint64(0)
	if len(part) > 0 {
		if frac, err = strconv.ParseUint(string(part)+strings.Repeat("0", 9-len(part)), 10, 64); err != nil {
			return fmt.Errorf("%s is no length of time in seconds", b)
		}
	}
	*s = Span(n*uint64(time.Second) + frac)
	return nil
}
