package formula

import (
	"cmp"
	"fmt"
	"math/big"
	"regexp"
	"strings"
	"unicode/utf8"

	"weighpost/gateway/metrology"
)

// Quantity is an exact number with a unit. The zero value is the number 0.
type Quantity struct {
	N    *big.Rat // in base units: g, m, s, K or Cel, mol; nil is 0. Whoever holds a Quantity does not change it
	Unit Unit     // in which it is shown

	given string // its digits as they were written, until something is worked out with them
}

// NewQuantity makes so many of a unit. It keeps no reference to value.
func NewQuantity(value *big.Rat, u Unit) Quantity {
	return Quantity{N: new(big.Rat).Mul(value, cmp.Or(u.size, one)), Unit: u}
}

var number = regexp.MustCompile(`^[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]{1,2})?$`)

// parseNumber reads an unsigned number as written. Huge exponents are refused before they are worked out.
func parseNumber(s string) (*big.Rat, error) {
	switch {
	case len(s) > MaxDigits+8:
		return nil, fmt.Errorf("the number %s has too many digits: at most %d", clip(s), MaxDigits)
	case strings.HasPrefix(s, ".") || strings.HasSuffix(s, "."):
		return nil, fmt.Errorf("the number %s needs a digit on either side of its point", clip(s))
	case strings.Contains(s, ","):
		return nil, fmt.Errorf("the number %s has a comma: decimals are written with a point, and thousands without a mark", clip(s))
	case !number.MatchString(s):
		return nil, fmt.Errorf("%s is no number: digits, a point, and a power of ten up to %d as in 1.2e-6", clip(s), MaxTen)
	}
	digits, ten, _ := strings.Cut(strings.ToLower(s), "e")
	if len(strings.Replace(digits, ".", "", 1)) > MaxDigits {
		return nil, fmt.Errorf("the number %s has too many digits: at most %d", clip(s), MaxDigits)
	}
	if ten = strings.TrimLeft(ten, "+-0"); len(ten) > 1 && ten > fmt.Sprint(MaxTen) {
		return nil, fmt.Errorf("the number %s has too great a power of ten: at most %d either way", clip(s), MaxTen)
	}
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		return nil, fmt.Errorf("%s is no number", clip(s))
	}
	return r, nil
}

// ParseQuantity reads a number and a unit with a space between, "12.50 mg", or a number alone. String gives the same text back.
func ParseQuantity(s string) (Quantity, error) {
	if !utf8.ValidString(s) || utf8.RuneCountInString(s) > MaxText {
		return Quantity{}, fmt.Errorf("a quantity is a number and a unit in at most %d characters of UTF-8", MaxText)
	}
	digits, code, spaced := strings.Cut(s, " ")
	bare, sign := digits, ""
	if strings.HasPrefix(digits, "-") || strings.HasPrefix(digits, "+") {
		sign, bare = digits[:1], digits[1:]
	}
	n, err := parseNumber(bare)
	if err != nil {
		if i := strings.IndexFunc(bare, func(r rune) bool { return (r < '0' || r > '9') && r != '.' }); i > 0 && number.MatchString(bare[:i]) {
			if _, ok := ParseUnit(bare[i:]); ok == nil {
				return Quantity{}, fmt.Errorf("%q needs a space between the number and the unit", clip(s))
			}
		}
		return Quantity{}, err
	}
	if sign == "-" {
		n.Neg(n)
	}
	if spaced && code == "" {
		return Quantity{}, fmt.Errorf("%q ends with a space: a unit should follow", clip(s))
	}
	u, err := ParseUnit(code)
	if err != nil {
		return Quantity{}, err
	}
	q := NewQuantity(n, u)
	q.given = digits
	return q, nil
}

// n is the number in base units, never nil.
func (q Quantity) n() *big.Rat {
	if q.N == nil {
		return new(big.Rat)
	}
	return q.N
}

// In gives the same quantity in another unit, exactly. It refuses a unit of something else.
func (q Quantity) In(u Unit) (Quantity, error) {
	if u.dim != q.Unit.dim {
		return Quantity{}, fmt.Errorf("%s (%s) cannot be given in %s, which is for %s", q.Unit.dim, q.Unit.Code(), u.Code(), u.dim)
	}
	if u.Code() == q.Unit.Code() {
		return q, nil
	}
	return Quantity{N: q.N, Unit: u}, nil
}

// Value is the number in the unit that the quantity is shown in.
func (q Quantity) Value() *big.Rat { return new(big.Rat).Quo(q.n(), cmp.Or(q.Unit.size, one)) }

// Digits is the number as it was written, or else in full or with 17 significant digits and "…" (metrology.Exact).
func (q Quantity) Digits() string {
	if q.given != "" {
		return q.given
	}
	return metrology.Exact(q.Value())
}

// String gives number and unit: "12.50 mg", "3" for a plain number.
func (q Quantity) String() string { return withUnit(q.Digits(), q.Unit) }

func withUnit(digits string, u Unit) string {
	if code := u.Code(); code != "1" {
		return digits + " " + code
	}
	return digits
}

// clip shortens a text of others for a sentence.
func clip(s string) string {
	s = strings.ToValidUTF8(s, "\ufffd")
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

func mustRat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("formula: " + s + " is no number") // a constant of this package
	}
	return r
}
