package strict

import (
	"fmt"
	"regexp"
	"strings"
	"time"
)

// Duration is a length of time, written with its unit: 250ms, 5s, 1m30s, 24h. Never negative.
type Duration time.Duration

var durationForm = regexp.MustCompile(`^([0-9]+(\.[0-9]+)?(us|µs|ms|s|m|h))+$`)

const durationAllowed = "a number with its unit (us, ms, s, m or h), such as 250ms, 5s or 1m30s"

// D gives the length as the standard library has it.
func (d Duration) D() time.Duration { return time.Duration(d) }

// String writes it as a person would: 5m, not 5m0s.
func (d Duration) String() string {
	s := time.Duration(d).String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// MarshalText writes what UnmarshalText reads.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads 5s. A bare number is refused: it does not say what it counts. So is a length that a Duration cannot
// hold, or finer than a nanosecond.
func (d *Duration) UnmarshalText(b []byte) error {
	if !durationForm.Match(b) {
		return fmt.Errorf("%s is no length of time", show(string(b)))
	}
	v, err := time.ParseDuration(string(b))
	if err != nil {
		return fmt.Errorf("%s is longer than can be counted", show(string(b)))
	}
	*d = Duration(v)
	return nil
}
