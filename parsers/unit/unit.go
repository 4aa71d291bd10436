// Package unit knows the units that balances print: their UCUM codes, their printed symbols and their exact size in grams.
//
// Factors are fractions of integers, so that a conversion loses nothing. A symbol that different people read differently
// ("oz", "t", "gr", "tl") never resolves by itself: Printed names the candidates and the layout has to choose. A symbol
// that is no mass (force, count, ratio, fineness) never becomes one.
//
// Sources of the factors: NIST SP 811 Appendix B.8 and NIST Handbook 44 Appendix C for the avoirdupois, troy and
// apothecary units; SI Brochure table 8 for the tonne; Hong Kong Cap. 68 schedule 1 for the statutory tael. Codes: UCUM.
package unit

import (
	"math/big"

	"weighpost/parsers/decimal"
)

// Quantity is what a unit measures.
type Quantity uint8

// The quantities that balances print. Everything else stays Unknown.
const (
	Unknown Quantity = iota
	Mass
	Count   // pieces
	Percent // a ratio, printed in per cent
)

// String gives unknown, mass, count or percent.
func (q Quantity) String() string {
	switch q {
	case Mass:
		return "mass"
	case Count:
		return "count"
	case Percent:
		return "percent"
	}
	return "unknown"
}

// Unit is one unit of measure. It is a plain value, comparable with ==; the zero value is no unit.
type Unit struct {
	Code     string // UCUM code, case sensitive; "" where UCUM has none: momme, tola, the taels, pieces
	Name     string // in words: "troy ounce", "tael (Taiwan)"
	Own      string // our own short name where there is no UCUM code: "momme", "tael-taiwan"; otherwise ""
	Quantity Quantity

	numerator, denominator int64 // of its size in grams, for a mass; in ones, for a count or percent
}

// Key gives the one text that stands for the unit in a layout: its UCUM code, or our own name where it has none.
func (u Unit) Key() string {
	if u.Code != "" {
		return u.Code
	}
	return u.Own
}

// IsMass says whether the unit measures mass.
func (u Unit) IsMass() bool { return u.Quantity == Mass }

// Grams gives the exact size of a unit of mass in grams, and nil for every other unit.
func (u Unit) Grams() *big.Rat {
	if !u.IsMass() {
		return nil
	}
	return big.NewRat(u.numerator, u.denominator)
}

// All lists every unit in the order of the table. The slice is the caller's own.
func All() []Unit { return append([]Unit(nil), table...) }

// ByCode finds a unit by its UCUM code, case sensitive as UCUM's c/s codes are: "g", "[oz_tr]", "%". Units without a
// UCUM code are not found; see Named.
func ByCode(ucum string) (Unit, bool) {
	if ucum == "" {
		return Unit{}, false
	}
	for _, u := range table {
		if u.Code == ucum {
			return u, true
		}
	}
	return Unit{}, false
}

// Named finds a unit by its key, that is by UCUM code or by our own name: "g", "[gr]", "momme", "tael-taiwan", "pieces".
func Named(key string) (Unit, bool) {
	if key == "" {
		return Unit{}, false
	}
	for _, u := range table {
		if u.Key() == key {
			return u, true
		}
	}
	return Unit{}, false
}

// Keys lists the keys of all units, in the order of the table: what Named finds.
func Keys() []string {
	keys := make([]string, len(table))
	for i, u := range table {
		keys[i] = u.Key()
	}
	return keys
}

// Convert gives a value in another unit, exactly. It is nil where the two do not measure the same quantity or one of them
// is no unit.
func Convert(d decimal.Decimal, from, to Unit) *big.Rat {
	if from.Quantity == Unknown || from.Quantity != to.Quantity {
		return nil
	}
	r := d.Rat()
	r.Mul(r, big.NewRat(from.numerator, from.denominator))
	return r.Quo(r, big.NewRat(to.numerator, to.denominator))
}
