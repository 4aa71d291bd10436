// Package decimal holds exact decimal numbers that remember how they were printed.
//
// A balance that prints "+0.5000" says more than one half: it says four decimals. A Decimal keeps the digits, the sign,
// the place of the point and the leading zeros, so that String gives back the very text that Parse was given. The number
// behind it is an int64 and a power of ten; nothing ever passes through a float.
//
// The package owns the number and its text. Decimal commas, grouping, detached signs and units belong to the layout,
// which hands over plain ASCII.
//
//	d, err := decimal.Parse([]byte("-0.0000"))
//	d.String()  // "-0.0000"
//	d.IsZero()  // true
//	d.Scale()   // 4
package decimal

import (
	"errors"
	"math/big"
)

// MaxDigits is how many digits a number may have, leading zeros and decimals included. Any such number fits an int64.
const MaxDigits = 18

// limit is the first magnitude that does not fit MaxDigits.
const limit = 1_000_000_000_000_000_000

// Decimal is a decimal number as printed. It is a plain value: it can be compared with ==, which asks whether two texts
// are the same, and used as a map key. Cmp compares the numbers. The zero value is the number 0, printed as "0".
type Decimal struct {
	magnitude int64 // 0 … limit-1: the digits without sign and point
	sign      byte  // '+' or '-' as printed, 0 for none
	whole     uint8 // printed digits before the point; may be 0, as in ".5"
	scale     uint8 // digits after the point
	point     bool  // a point was printed: differs from scale > 0 only for "12."
}

// Errors of Parse. They are sentences without a subject, for a caller who knows which number was meant.
var (
	ErrNoDigits  = errors.New("there is no digit where a number should be")
	ErrTooLong   = errors.New("the number has more than 18 digits, which is more than any balance resolves")
	ErrCharacter = errors.New("the number holds a character that is neither a digit, nor one decimal point, nor a sign in front")
)

// Parse reads an optional sign, digits and at most one decimal point, all ASCII: "12.3450", "+0.5", "-.5", "00012.30",
// "12.". Nothing else is allowed, no spaces, no comma, no exponent. It keeps no reference to b and does not allocate.
// The error is ErrNoDigits, ErrTooLong or ErrCharacter.
func Parse(b []byte) (Decimal, error) {
	var d Decimal
	if len(b) > 0 && (b[0] == '+' || b[0] == '-') {
		d.sign = b[0]
		b = b[1:]
	}
	digits := 0
	for _, c := range b {
		switch {
		case c >= '0' && c <= '9':
			if digits++; digits > MaxDigits {
				continue // a wrong character further on is the better message
			}
			d.magnitude = d.magnitude*10 + int64(c-'0')
			if d.point {
				d.scale++
			} else {
				d.whole++
			}
		case c == '.' && !d.point:
			d.point = true
		default:
			return Decimal{}, ErrCharacter
		}
	}
	switch {
	case digits == 0:
		return Decimal{}, ErrNoDigits
	case digits > MaxDigits:
		return Decimal{}, ErrTooLong
	}
	return d, nil
}

// MustParse is Parse for texts that are part of a program. It panics where Parse returns an error.
func MustParse(s string) Decimal {
	d, err := Parse([]byte(s))
	if err != nil {
		panic("decimal: " + s + ": " + err.Error())
	}
	return d
}

// New gives coefficient × 10^-scale, printed in the shortest way that shows all decimals: New(-5, 3) is "-0.005".
// ok is false where the coefficient has more than 18 digits or the scale is not in 0 … 18.
func New(coefficient int64, scale int) (d Decimal, ok bool) {
	if scale < 0 || scale > MaxDigits || coefficient <= -limit || coefficient >= limit {
		return Decimal{}, false
	}
	d = Decimal{magnitude: coefficient, scale: uint8(scale), point: scale > 0}
	if coefficient < 0 {
		d.magnitude, d.sign = -coefficient, '-'
	}
	d.whole = min(1, uint8(MaxDigits-scale)) // 18 decimals leave no room for a zero in front
	for m := d.magnitude; d.whole < uint8(MaxDigits-scale) && m >= pow10[int(d.whole)+scale]; {
		d.whole++
	}
	return d, true
}

// String gives the text exactly as it was parsed.
func (d Decimal) String() string {
	var room [MaxDigits + 2]byte
	return string(d.AppendTo(room[:0]))
}

// AppendTo appends what String gives. It allocates only if dst has too little room; 20 bytes are always enough.
func (d Decimal) AppendTo(dst []byte) []byte {
	if d.sign != 0 {
		dst = append(dst, d.sign)
	}
	digits := int(d.whole) + int(d.scale)
	if digits == 0 {
		return append(dst, '0') // the zero value
	}
	var room [MaxDigits]byte
	m := uint64(d.magnitude)
	for i := digits - 1; i >= 0; i-- {
		room[i] = byte('0' + m%10)
		m /= 10
	}
	dst = append(dst, room[:d.whole]...)
	if d.point {
		dst = append(dst, '.')
	}
	return append(dst, room[d.whole:digits]...)
}

// Coefficient is the number without its point, with its sign: -12345 for "-12.345". It is 0 for "-0.00".
func (d Decimal) Coefficient() int64 {
	if d.sign == '-' {
		return -d.magnitude
	}
	return d.magnitude
}

// Scale is how many digits stand after the point, 0 … 18.
func (d Decimal) Scale() int { return int(d.scale) }

// WholeDigits is how many digits stand before the point, 0 … 18, leading zeros included.
func (d Decimal) WholeDigits() int { return int(d.whole) }

// IsZero says whether the number is 0, whatever its sign and its decimals.
func (d Decimal) IsZero() bool { return d.magnitude == 0 }

// Negative says whether a minus was printed. It is true for "-0.00".
func (d Decimal) Negative() bool { return d.sign == '-' }

// Rat gives the number as an exact fraction.
func (d Decimal) Rat() *big.Rat {
	return new(big.Rat).SetFrac(big.NewInt(d.Coefficient()), big.NewInt(pow10[d.scale]))
}

// MarshalText gives what String gives.
func (d Decimal) MarshalText() ([]byte, error) { return d.AppendTo(nil), nil }

// UnmarshalText is Parse.
func (d *Decimal) UnmarshalText(b []byte) error {
	parsed, err := Parse(b)
	if err == nil {
		*d = parsed
	}
	return err
}
