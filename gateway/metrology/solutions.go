package metrology

import (
	"fmt"
	"math/big"
)

// QUAM is where the formulas and the worked examples for solutions stand.
var (
	QUAM          = Source{Name: "EURACHEM/CITAC Guide CG 4 (QUAM:2012)", Clause: "example A1: c = 1000·m·P/V"}
	QUAMAmount    = Source{Name: "EURACHEM/CITAC Guide CG 4 (QUAM:2012)", Clause: "example A2: c = 1000·m·P/(M·V)"}
	QUAMQuotients = Source{Name: "EURACHEM/CITAC Guide CG 4 (QUAM:2012)", Clause: "8.2.6, rule 2: products and quotients", FromMemory: true}
)

// pure is the share of a substance itself in what is weighed, from its purity in % of the dry substance and its water in % of what is weighed:
// both 0 to 100, and some of it left.
func pure(purity, water *big.Rat) (*big.Rat, error) {
	if purity.Sign() <= 0 || purity.Cmp(hundred) > 0 {
		return nil, fmt.Errorf("a purity of %s %% is none: above 0 to 100 %%", Exact(purity))
	}
	if water.Sign() < 0 || water.Cmp(hundred) >= 0 {
		return nil, fmt.Errorf("a water content of %s %% leaves no substance: from 0 to less than 100 %%", Exact(water))
	}
	share := new(big.Rat).Sub(hundred, water)
	share.Mul(share, purity)
	return share.Quo(share, big.NewRat(10_000, 1)), nil
}

func above(what, unit string, x *big.Rat) error {
	if x.Sign() <= 0 {
		return fmt.Errorf("%s of %s %s is none: it is greater than zero", what, Exact(x), unit)
	}
	return nil
}

// MassConcentration is what a solution holds in g/L, from the mass in g that was dissolved, its purity in % of the dry substance, its water in
// % and the volume of the solution in mL. A purity that is stated for the substance as it is goes with a water content of 0.
func MassConcentration(mass, purity, water, volume *big.Rat) (*big.Rat, Source, error) {
	share, err := pure(purity, water)
	for _, e := range []error{above("a mass", "g", mass), above("a volume", "mL", volume)} {
		if err == nil {
			err = e
		}
	}
	if err != nil {
		return nil, QUAM, err
	}
	c := share.Mul(share, mass)
	c.Quo(c, volume)
	return c.Mul(c, big.NewRat(1000, 1)), QUAM, nil
}

// MassForConcentration is what has to be weighed in g for a solution of a concentration in g/L and a volume in mL: the inverse of
// MassConcentration.
func MassForConcentration(concentration, volume, purity, water *big.Rat) (*big.Rat, Source, error) {
	share, err := pure(purity, water)
	for _, e := range []error{above("a concentration", "g/L", concentration), above("a volume", "mL", volume)} {
		if err == nil {
			err = e
		}
	}
	if err != nil {
		return nil, QUAM, err
	}
	m := new(big.Rat).Mul(concentration, volume)
	return m.Quo(m, share.Mul(share, big.NewRat(1000, 1))), QUAM, nil
}

// AmountConcentration is MassConcentration in mol/L, with the molar mass in g/mol. It is also the concentration of a solution of which a volume
// in mL reacts with the mass of a standard, one to one.
func AmountConcentration(mass, purity, water, molar, volume *big.Rat) (*big.Rat, Source, error) {
	if err := above("a molar mass", "g/mol", molar); err != nil {
		return nil, QUAMAmount, err
	}
	c, _, err := MassConcentration(mass, purity, water, volume)
	if err != nil {
		return nil, QUAMAmount, err
	}
	return c.Quo(c, molar), QUAMAmount, nil
}

// MassForAmount is what has to be weighed in g for a solution of a concentration in mol/L and a volume in mL, with the molar mass in g/mol: the
// inverse of AmountConcentration.
func MassForAmount(concentration, volume, molar, purity, water *big.Rat) (*big.Rat, Source, error) {
	if err := above("a molar mass", "g/mol", molar); err != nil {
		return nil, QUAMAmount, err
	}
	m, _, err := MassForConcentration(new(big.Rat).Mul(concentration, molar), volume, purity, water)
	return m, QUAMAmount, err
}

// Diluted is the volume in mL to which a volume in mL of a solution is filled up so that its concentration becomes a lower one, both in one
// unit: V₂ = V₁·c₁/c₂.
func Diluted(volume, from, to *big.Rat) (*big.Rat, error) {
	for _, err := range []error{above("a volume", "mL", volume), above("a concentration", "", to)} {
		if err != nil {
			return nil, err
		}
	}
	if from.Cmp(to) < 0 {
		return nil, fmt.Errorf("a solution is not made stronger by dilution: from %s to %s", Exact(from), Exact(to))
	}
	v := new(big.Rat).Mul(volume, from)
	return v.Quo(v, to), nil
}

// Factor is a quantity that a result is proportional to, or to the inverse of, with its standard uncertainty in the same unit.
type Factor struct {
	Name            string
	Value, Standard *big.Rat
}

// ProductUncertainty is the budget of a result that is a product and quotient of independent factors: each part in the unit of the result is
// its value times the factor's relative standard uncertainty. k is the coverage factor.
func ProductUncertainty(result *big.Rat, factors []Factor, k *big.Rat) (Budget, Source, error) {
	var parts []Part
	for _, f := range factors {
		if f.Value == nil || f.Value.Sign() == 0 {
			return Budget{}, QUAMQuotients, fmt.Errorf("%s: a factor of nothing has no relative uncertainty", f.Name)
		}
		per := new(big.Rat).Quo(result, f.Value)
		parts = append(parts, Part{Name: f.Name, HalfWidth: f.Standard, Spread: Normal, Sensitivity: per})
	}
	b, err := Combine(parts, k)
	return b, QUAMQuotients, err
}
