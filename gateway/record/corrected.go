package record

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
)

// ClockCorrected says by how much the stamps of a span of entries were wrong. The stamps themselves stay as they were written.
// It holds for the entries whose sequence is From to To, whose stamp lies between FromUTC and ToUTC, both ends included, and
// whose clock was Clock. Where several hold for one entry, the newest counts.
type ClockCorrected struct {
	Head
	From    uint64 `json:"from"` // sequence of the first entry
	To      uint64 `json:"to"`   // and of the last
	FromUTC UTC    `json:"from_utc"`
	ToUTC   UTC    `json:"to_utc"`
	// Clock is the state of the clock in the stamps that it holds for; absent: any.
	Clock  string `json:"clock,omitempty" enum:"checked,holdover,unchecked"`
	Offset Offset `json:"offset_s"` // what has to be added to those stamps
	Bound  Span   `json:"bound_s"`  // how far a corrected stamp may still be off
	Why    string `json:"why"`
	By     Actor  `json:"by"`
	Stamp  Stamp  `json:"stamp"`
}

func (c *ClockCorrected) Kind() Kind      { return KindClockCorrected }
func (c *ClockCorrected) Subject() string { return "" }
func (c *ClockCorrected) Time() time.Time { return c.Stamp.UTC.Time() }

// Offset is a length of time with a sign, written in JSON as a text: a decimal number of seconds, "-3.000012".
type Offset time.Duration

// String writes seconds with a sign and six decimals. What is finer than a microsecond is cut off.
func (o Offset) String() string {
	sign := "+"
	if o < 0 {
		sign = "-"
	}
	us := time.Duration(o).Truncate(time.Microsecond).Abs() / time.Microsecond
	return fmt.Sprintf("%s%d.%06d", sign, us/1_000_000, us%1_000_000)
}

// MarshalJSON writes "-3.000012".
func (o Offset) MarshalJSON() ([]byte, error) { return []byte(`"` + o.String() + `"`), nil }

// UnmarshalJSON reads what MarshalJSON writes, with or without the +, and up to nine decimals.
func (o *Offset) UnmarshalJSON(b []byte) error {
	var text string
	if err := json.Unmarshal(b, &text); err != nil {
		return errors.New("an offset is a text with seconds, such as \"-3.2\"")
	}
	d, err := ParseOffset(text)
	*o = d
	return err
}

// ParseOffset reads a decimal number of seconds with or without sign, of less than 2^33 s and with up to nine decimals.
func ParseOffset(text string) (Offset, error) {
	digits, sign := text, Offset(1)
	if rest, minus := strings.CutPrefix(text, "-"); minus {
		digits, sign = rest, -1
	} else {
		digits = strings.TrimPrefix(text, "+")
	}
	var s Span
	if digits == "" || digits[0] < '0' || digits[0] > '9' || s.UnmarshalJSON([]byte(digits)) != nil {
		return 0, fmt.Errorf("%s is no number of seconds with a sign, such as -3.2", strconv.Quote(text))
	}
	return sign * Offset(s), nil
}
