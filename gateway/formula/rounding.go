package formula

import (
	"fmt"
	"math/big"

	"weighpost/gateway/metrology"
)

// Rounding is the rule by which a result is rounded; it is declared beside a formula and never in it, so that nothing is worked out from
// rounded numbers. One of To, Significant and Decimals says where. The zero value does not round.
type Rounding struct {
	To          string // to a multiple of this quantity: "0.01 g", "5 mg"
	Significant int    // to so many significant digits, 1 to 30
	Decimals    *int   // to so many decimals in the unit of the result, 0 to 30
	// Rule is how: "half-even" (also where it is empty), "half-up", "up", "down"; "none" where nothing says where.
	Rule string
}

const maxPlaces = 30

// rules holds the rules in words, and what they do to a multiple of a step.
var rules = map[string]struct {
	words string
	round func(x, step *big.Rat) *big.Rat
}{
	// ISO 80000-1:2022, B.3, rule A; IEEE 754-2019, roundTiesToEven.
	"half-even": {"half to even", func(x, step *big.Rat) *big.Rat { return metrology.Round(x, step, metrology.HalfEven) }},
	// ISO 80000-1:2022, B.3, rule B, with the sign taken aside; IEEE 754-2019, roundTiesToAway.
	"half-up": {"half away from zero", func(x, step *big.Rat) *big.Rat { return metrology.Round(x, step, metrology.HalfAway) }},
	"up":      {"up, so that it never says less", metrology.RoundUp},
	"down":    {"down, so that it never says more", roundDown},
}

// roundDown gives the greatest multiple of step that is not above x.
func roundDown(x, step *big.Rat) *big.Rat {
	up := metrology.RoundUp(new(big.Rat).Neg(x), step)
	return up.Neg(up)
}

// rounder is a rule made ready for the results of one formula.
type rounder struct {
	words       string
	round1      func(x, step *big.Rat) *big.Rat // nil: nothing is rounded
	step        *big.Rat                        // in the unit of the result; nil: by significant digits
	decimals    int                             // of a multiple of step
	significant int
}

// rounder makes the rule ready for a result of a type, and gives the unit of the result.
func (o Options) rounder(t Type) (r rounder, u Unit, err error) {
	quantities := t.Kind == KindQuantity || t.Kind == KindList
	if !quantities && o.Unit != "" {
		return r, u, fmt.Errorf("the result is %s, which has no unit: take the unit %s away", t, clip(o.Unit))
	}
	step, err := o.Rounding.step(t)
	if err != nil {
		return r, u, err
	}
	switch u = t.Unit; {
	case o.Unit != "":
		if u, err = ParseUnit(o.Unit); err != nil {
			return r, u, err
		}
		if u.dim != t.Unit.dim {
			return r, u, fmt.Errorf("the result is %s, and cannot be given in %s, which is for %s", t.Unit.dim, u.Code(), u.dim)
		}
	case o.Rounding.To != "":
		u = step.Unit
	}
	r, err = o.Rounding.ready(step, u)
	return r, u, err
}

// step looks the rule over for a result of a type, and gives the quantity that To names.
func (g Rounding) step(t Type) (step Quantity, err error) {
	places := 0
	for _, given := range []bool{g.To != "", g.Significant != 0, g.Decimals != nil} {
		if given {
			places++
		}
	}
	_, known := rules[g.Rule]
	switch {
	case places > 1:
		return step, fmt.Errorf("a result is rounded to a quantity, to significant digits or to decimals: the rule names more than one of them")
	case places == 0 && g.Rule != "" && g.Rule != "none":
		return step, fmt.Errorf("the rule %q says how to round and not to what: name a quantity, significant digits or decimals", clip(g.Rule))
	case places == 0:
		return step, nil
	case g.Rule != "" && !known:
		return step, fmt.Errorf("the rule %q is not known: there are half-even, half-up, up and down", clip(g.Rule))
	case t.Kind != KindQuantity:
		return step, fmt.Errorf("the result is %s, and only a quantity can be rounded: take the rounding away", t)
	case g.Significant < 0 || g.Significant > maxPlaces:
		return step, fmt.Errorf("%d significant digits: there are 1 to %d", g.Significant, maxPlaces)
	case g.Decimals != nil && (*g.Decimals < 0 || *g.Decimals > maxPlaces):
		return step, fmt.Errorf("%d decimals: there are 0 to %d", *g.Decimals, maxPlaces)
	case g.To == "":
		return step, nil
	}
	if step, err = ParseQuantity(g.To); err != nil {
		return step, fmt.Errorf("rounding to %q: %w", clip(g.To), err)
	}
	switch {
	case step.N.Sign() <= 0:
		return step, fmt.Errorf("a result cannot be rounded to %s: a step is greater than zero", g.To)
	case step.Unit.dim != t.Unit.dim:
		return step, fmt.Errorf("the result is %s, and cannot be rounded to %s, which is %s", t, g.To, step.Unit.dim)
	}
	return step, nil
}

// ready has the rule, which step has looked over, for results in a unit.
func (g Rounding) ready(step Quantity, u Unit) (r rounder, err error) {
	rule, ok := rules[g.Rule]
	if !ok {
		rule = rules["half-even"]
	}
	r.round1 = rule.round
	switch {
	case g.To != "":
		step.Unit = u
		r.step, r.words = step.Value(), fmt.Sprintf("to %s, %s", g.To, rule.words)
		if r.decimals, ok = r.step.FloatPrec(); !ok || r.decimals > maxPlaces {
			return r, fmt.Errorf("multiples of %s have no end of decimals in %s: round to a quantity in %s", g.To, u.Code(), u.Code())
		}
	case g.Significant > 0:
		r.significant, r.words = g.Significant, fmt.Sprintf("to %s, %s", count(g.Significant, "significant digit"), rule.words)
	case g.Decimals != nil:
		r.decimals, r.step = *g.Decimals, ten(-*g.Decimals)
		r.words = fmt.Sprintf("to %s, %s", count(*g.Decimals, "decimal"), rule.words)
	default:
		r.round1, r.words = nil, "not rounded"
	}
	return r, nil
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// round gives a quantity in the unit of the result, rounded, and its digits with the zeros that belong to the rule.
func (r rounder) round(q Quantity) (Quantity, string) {
	x := q.Value()
	if r.round1 == nil {
		return q, metrology.Exact(x)
	}
	step, decimals := r.step, r.decimals
	if r.significant > 0 {
		if x.Sign() == 0 {
			return q, "0" // zero has no significant digit
		}
		place := r.significant - 1 - magnitude(x)
		step, decimals = ten(-place), place
		if carried := r.round1(x, step); carried.Sign() != 0 && magnitude(carried) > magnitude(x) {
			decimals-- // 9.996 with three digits is 10.0
		}
	}
	x = r.round1(x, step)
	text := x.FloatString(max(0, decimals))
	out := NewQuantity(x, q.Unit)
	out.given = text
	return out, text
}

// ten is 10ⁿ.
func ten(n int) *big.Rat { return power(big.NewRat(10, 1), n) }

// magnitude is the power of ten of the first digit of a number that is not zero: 0 for 1 to below 10, −1 for 0.1.
func magnitude(x *big.Rat) int {
	x = new(big.Rat).Abs(x)
	n := (x.Num().BitLen() - x.Denom().BitLen()) * 30103 / 100000 // log 2 = 0.30103: at most one off, either way
	for ten(n).Cmp(x) > 0 {
		n--
	}
	for ten(n+1).Cmp(x) <= 0 {
		n++
	}
	return n
}
