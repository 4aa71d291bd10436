package metrology

import (
	"fmt"
	"math/big"
)

// Where comparison with a reference weight comes from.
var (
	R111Cycles = Source{Name: "OIML R 111-1:2004", Clause: "C.4.1 and C.6.1: weighing cycles ABBA and ABA", FromMemory: true}
	SOP4       = Source{Name: "NISTIR 6969, SOP 4", Clause: "weighing by double substitution", FromMemory: true}
	Bracket    = Source{Name: "substitution weighing", Clause: "unknown = reference + (unknown − mean of the references before and after)"}
)

// CycleABA is what B is above A, from the readings of A, B and A in that order at equal intervals: b − (a1 + a2)/2. A steady drift falls
// out. Source: R111Cycles.
func CycleABA(a1, b, a2 *big.Rat) *big.Rat {
	mean := new(big.Rat).Add(a1, a2)
	mean.Quo(mean, big.NewRat(2, 1))
	return mean.Sub(b, mean)
}

// CycleABBA is what B is above A, from the readings of A, B, B and A in that order at equal intervals: (b1 + b2 − a1 − a2)/2. A steady
// drift falls out. Source: R111Cycles.
func CycleABBA(a1, b1, b2, a2 *big.Rat) *big.Rat {
	d := new(big.Rat).Add(b1, b2)
	d.Sub(d, a1)
	d.Sub(d, a2)
	return d.Quo(d, big.NewRat(2, 1))
}

// DoubleSubstitution is what the unknown X is above the standard S in mass, from the readings of S, X, X with a small sensitivity weight
// and S with it, in that order: d = (o2 − o1 + o3 − o4)/2 · sw/(o3 − o2). The mass of the small weight, as the air leaves it, is in the unit of
// the result. Source: SOP4.
func DoubleSubstitution(o1, o2, o3, o4, sw *big.Rat) (*big.Rat, error) {
	span := new(big.Rat).Sub(o3, o2)
	if sw.Sign() <= 0 || span.Sign() <= 0 {
		return nil, fmt.Errorf("the sensitivity weight has to raise the reading: it went from %s to %s", Exact(o2), Exact(o3))
	}
	d := new(big.Rat).Sub(o2, o1)
	d.Add(d, o3)
	d.Sub(d, o4)
	d.Quo(d, big.NewRat(2, 1))
	d.Mul(d, sw)
	return d.Quo(d, span), nil
}

// Bracketed is the mass of a sample by a reference weight of known value that was weighed before and after it: value + (reading − mean of the
// references), all in one unit. What the balance is off at that load, and its drift if it is steady, fall out, where the reference is about as
// heavy as the sample. Source: Bracket.
func Bracketed(referenceBefore, reading, referenceAfter, value *big.Rat) (*big.Rat, error) {
	if value.Sign() <= 0 {
		return nil, fmt.Errorf("the value of the reference weight has to be greater than zero")
	}
	d := CycleABA(referenceBefore, reading, referenceAfter)
	return d.Add(d, value), nil
}

// BracketSpread is how far the two readings of a reference weight around a sample lie apart, without its sign, in their unit: it is held
// against the lab's own limit before the sample counts.
func BracketSpread(referenceBefore, referenceAfter *big.Rat) *big.Rat {
	d := new(big.Rat).Sub(referenceAfter, referenceBefore)
	return d.Abs(d)
}

// Recovery is what was found again, in per cent of what was there: after/before·100, two masses in one unit, each by Bracketed. Above 100 is
// possible and is shown.
func Recovery(before, after *big.Rat) (*big.Rat, error) {
	if before.Sign() <= 0 || after.Sign() < 0 {
		return nil, fmt.Errorf("the mass before has to be greater than zero, and the mass after is not negative")
	}
	p := new(big.Rat).Quo(after, before)
	return p.Mul(p, hundred), nil
}
