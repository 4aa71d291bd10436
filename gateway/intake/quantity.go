package intake

import (
	"errors"
	"fmt"
	"strings"

	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

// Quantity is a mass above zero as people write it in a configuration: "0.0001 g". It keeps the digits as written. The
// zero value stands for one that is not known.
type Quantity struct {
	Number decimal.Decimal
	Unit   unit.Unit
	text   string
}

var errQuantity = errors.New(`is no mass: write a number, a space and a unit, such as "0.0001 g"`)

// ParseQuantity reads a number and a unit. A unit that people read differently is refused.
func ParseQuantity(s string) (Quantity, error) {
	number, symbol, ok := strings.Cut(strings.TrimSpace(s), " ")
	if !ok {
		return Quantity{}, fmt.Errorf("%q %w", s, errQuantity)
	}
	symbol = strings.TrimSpace(symbol)
	d, err := decimal.Parse([]byte(number))
	if err != nil {
		return Quantity{}, fmt.Errorf("%q %w", s, errQuantity)
	}
	u, known := unit.Named(symbol)
	if !known || !u.IsMass() {
		return Quantity{}, fmt.Errorf("%q has the unit %q, which is no unit of mass known here: write it as UCUM has it, such as g, mg, kg, [oz_av]", s, symbol)
	}
	if d.IsZero() || d.Negative() {
		return Quantity{}, fmt.Errorf("%q is not above zero", s)
	}
	return Quantity{Number: d, Unit: u, text: number + " " + symbol}, nil
}

// UnmarshalText reads what ParseQuantity reads.
func (q *Quantity) UnmarshalText(b []byte) (err error) {
	*q, err = ParseQuantity(string(b))
	return err
}

// MarshalText gives what String gives.
func (q Quantity) MarshalText() ([]byte, error) { return []byte(q.text), nil }

// String is the quantity as written, or "" where none is known.
func (q Quantity) String() string { return q.text }

// IsZero says whether no quantity is known.
func (q Quantity) IsZero() bool { return q.text == "" }

// less compares two known quantities exactly.
func (q Quantity) less(other Quantity) bool {
	return unit.Convert(q.Number, q.Unit, other.Unit).Cmp(other.Number.Rat()) < 0
}
