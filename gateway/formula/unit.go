package formula

import (
	"fmt"
	"maps"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"weighpost/parsers/unit"
)

// atom is one unit that is no product: its UCUM code and its exact size in base units (g, m, s, K, mol).
type atom struct {
	code string
	dim  Dimension
	size *big.Rat
}

// atoms holds every unit that may stand in a code, by code. Masses are those of parsers/unit; the rest is the SI Brochure (9th edition,
// 2019), tables 2, 4, 7 and 8, in the codes of UCUM. TestUnitsOfAnotherImplementation holds each against another table.
var atoms = func() map[string]atom {
	all := map[string]atom{}
	add := func(dim Dimension, sizes ...string) {
		for _, s := range sizes {
			code, size, _ := strings.Cut(s, " ")
			all[code] = atom{code, dim, mustRat(size)}
		}
	}
	for _, u := range unit.All() {
		if u.IsMass() && u.Code != "" {
			all[u.Code] = atom{u.Code, Dimension{Mass: 1}, u.Grams()}
		}
	}
	add(Dimension{Length: 1}, "m 1", "dm 0.1", "cm 0.01", "mm 0.001", "um 1e-6", "nm 1e-9", "km 1000")
	add(Dimension{Length: 3}, "L 1e-3", "dL 1e-4", "cL 1e-5", "mL 1e-6", "uL 1e-9", "nL 1e-12")
	add(Dimension{Time: 1}, "s 1", "ms 0.001", "min 60", "h 3600", "d 86400")
	add(kelvin, "K 1", "mK 0.001")
	add(celsius, "Cel 1")
	add(Dimension{Amount: 1}, "mol 1", "mmol 0.001", "umol 1e-6", "nmol 1e-9", "kmol 1000")
	add(Dimension{Mass: 1, Length: -1, Time: -2}, "Pa 1000", "hPa 1e5", "kPa 1e6", "MPa 1e9", "bar 1e8", "mbar 1e5") // 1 Pa = 1000 g/(m.s2)
	add(Dimension{}, "1 1", "% 0.01", "[ppth] 1e-3", "[ppm] 1e-6", "[ppb] 1e-9", "{pieces} 1")
	return all
}()

// written holds other ways in which people write a unit.
var written = map[string]string{
	"\u00b5g": "ug", "\u03bcg": "ug", "\u00b5L": "uL", "\u03bcL": "uL", "\u00b5m": "um", "\u03bcm": "um", "\u00b5mol": "umol", "\u03bcmol": "umol",
	"\u00b0C": "Cel", "ppm": "[ppm]", "ppb": "[ppb]", "l": "L", "dl": "dL", "cl": "cL", "ml": "mL", "ul": "uL", "nl": "nL", "pieces": "{pieces}",
}

// Units lists the codes of all units that are no products, sorted.
func Units() []string { return slices.Sorted(maps.Keys(atoms)) }

// term is an atom to a power.
type term struct {
	atom
	power int
}

// Unit is a unit of measure: a UCUM code, what it measures and its size. The zero value is the unit 1.
type Unit struct {
	terms []term // as written: mg/kg has two
	dim   Dimension
	size  *big.Rat // in base units; nil is 1
}

var one = big.NewRat(1, 1)

// Dimension is what the unit measures.
func (u Unit) Dimension() Dimension { return u.dim }

// Size is the size of the unit in base units: g, m, s, K or Cel, mol. The caller may keep and change it.
func (u Unit) Size() *big.Rat {
	if u.size == nil {
		return big.NewRat(1, 1)
	}
	return new(big.Rat).Set(u.size)
}

// Code is the UCUM code: "mg", "g/m2", "1".
func (u Unit) Code() string {
	var text strings.Builder
	for i, t := range u.terms {
		power := t.power
		switch {
		case power < 0:
			power = -power
			text.WriteByte('/')
		case i > 0:
			text.WriteByte('.')
		}
		text.WriteString(t.code)
		if power != 1 {
			text.WriteString(strconv.Itoa(power))
		}
	}
	if text.Len() == 0 {
		return "1"
	}
	return text.String()
}

var component = regexp.MustCompile(`^(\[[A-Za-z_]+\]|\{pieces\}|%|[A-Za-z\x{b0}\x{b5}\x{3bc}]+)([+-]?[0-9]{1,2})?$`)

// ParseUnit reads a UCUM code, case sensitive: "mg", "g/m2", "g.m-2", "mg/kg", "%", "1". Some that people write are understood too:
// "µg", "°C", "ppm", "ml". The error names the part that is not known.
func ParseUnit(code string) (Unit, error) {
	if len(code) > 60 {
		return Unit{}, fmt.Errorf("a unit has at most 60 characters, and this has %d", len(code))
	}
	if code == "1" || code == "" {
		return Unit{}, nil
	}
	var terms []term
	sign, rest := 1, code
	if strings.HasPrefix(rest, "/") {
		sign, rest = -1, rest[1:]
	}
	for {
		i := strings.IndexAny(rest, "./")
		part := rest
		if i >= 0 {
			part = rest[:i]
		}
		t, err := parseTerm(part, code)
		if err != nil {
			return Unit{}, err
		}
		if t.power *= sign; t.code != "1" {
			terms = append(terms, t)
		}
		if i < 0 {
			return unitOf(terms)
		}
		if sign = 1; rest[i] == '/' {
			sign = -1
		}
		rest = rest[i+1:]
	}
}

func parseTerm(part, code string) (term, error) {
	if part == "1" {
		return term{atoms["1"], 1}, nil
	}
	m := component.FindStringSubmatch(part)
	if m == nil {
		return term{}, fmt.Errorf("%q is no unit that formulas know%s", clip(code), hintFor(part))
	}
	name := m[1]
	if w, ok := written[name]; ok {
		name = w
	}
	a, ok := atoms[name]
	if !ok {
		return term{}, fmt.Errorf("%q is no unit that formulas know%s", clip(code), hintFor(m[1]))
	}
	power := 1
	if m[2] != "" {
		power, _ = strconv.Atoi(m[2]) // one or two digits
	}
	if power == 0 || power > MaxExponent || power < -MaxExponent {
		return term{}, fmt.Errorf("the unit %q has a power of %d: powers are whole numbers up to %d, and not 0", clip(code), power, MaxExponent)
	}
	return term{a, power}, nil
}

// hintFor names the unit that differs in capitals only.
func hintFor(part string) string {
	for _, code := range Units() {
		if strings.EqualFold(code, part) {
			return fmt.Sprintf("; capitals count: perhaps %s", code)
		}
	}
	return ""
}

// unitOf makes a unit of its terms. Degrees Celsius stand alone.
func unitOf(terms []term) (Unit, error) {
	u := Unit{terms: terms, size: big.NewRat(1, 1)}
	if len(terms) == 1 && terms[0].dim.Celsius && terms[0].power == 1 {
		u.dim = celsius
		return u, nil
	}
	for _, t := range terms {
		if t.dim.Celsius {
			return Unit{}, fmt.Errorf("the unit Cel stands alone as a unit, since its zero is not that of K: a part per degree is written with K, as in \"1/K\"")
		}
		var ok bool
		if u.dim, ok = u.dim.times(t.dim, t.power); !ok {
			return Unit{}, fmt.Errorf("the unit %s has powers beyond %d", u.Code(), MaxExponent)
		}
		u.size.Mul(u.size, power(t.size, t.power))
	}
	return u, nil
}

// power is x to a whole power. x is not zero where n is below zero.
func power(x *big.Rat, n int) *big.Rat {
	out := big.NewRat(1, 1)
	for range max(n, -n) {
		out.Mul(out, x)
	}
	if n < 0 {
		out.Inv(out)
	}
	return out
}

// product gives the unit in which a·bⁿ is shown, n being 1 or −1: what is of one kind is brought together, so that g/mL·L is g and not
// g.L/mL. It only chooses how a result is written.
func product(a, b Unit, n int) (Unit, bool) {
	dim, ok := a.dim.times(b.dim, n)
	switch {
	case !ok:
		return Unit{}, false
	case len(b.terms) == 0:
		return a, true
	case dim == (Dimension{}):
		if len(a.terms) == 0 && n == 1 {
			return b, true // 2 * "5 %"
		}
		return Unit{}, true
	}
	var terms []term
	for _, t := range append(slices.Clone(a.terms), raised(b.terms, n)...) {
		if t.dim == (Dimension{}) {
			continue
		}
		i := slices.IndexFunc(terms, func(s term) bool { return s.dim == t.dim })
		if i < 0 {
			terms = append(terms, t)
		} else {
			terms[i].power += t.power
		}
	}
	terms = slices.DeleteFunc(terms, func(t term) bool { return t.power == 0 })
	slices.SortStableFunc(terms, func(a, b term) int { return sign(b.power) - sign(a.power) }) // 1/(g/mL) is mL/g
	u, err := unitOf(terms)
	if err != nil || u.dim != dim || mixed(terms) {
		return baseUnit(dim), true
	}
	return u, true
}

func raised(terms []term, n int) []term {
	out := slices.Clone(terms)
	for i := range out {
		out[i].power *= n
	}
	return out
}

// mixed says whether two terms measure with the same base, as L/m2 does.
func mixed(terms []term) bool {
	seen := [5]bool{}
	for _, t := range terms {
		for i, p := range t.dim.powers() {
			if p != 0 && seen[i] {
				return true
			}
			seen[i] = seen[i] || p != 0
		}
	}
	return false
}

// baseUnit is the unit of a dimension in terms of those that laboratories use most.
func baseUnit(d Dimension) Unit {
	if d.Celsius {
		return Unit{terms: []term{{atoms["Cel"], 1}}, dim: d}
	}
	var terms []term
	if d.Length == 3 || d.Length == -3 {
		terms = append(terms, term{atoms["mL"], int(d.Length) / 3})
		d.Length = 0
	}
	for i, p := range d.powers() {
		if p != 0 {
			terms = append(terms, term{atoms[[]string{"g", "m", "s", "K", "mol"}[i]], int(p)})
		}
	}
	slices.SortStableFunc(terms, func(a, b term) int { return b.power - a.power })
	u, _ := unitOf(terms) // powers of a dimension are within bounds
	return u
}
