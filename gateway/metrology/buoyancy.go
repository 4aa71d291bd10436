package metrology

import (
	"fmt"
	"math/big"
)

// Where the corrections for the buoyancy of air come from.
var (
	D28        = Source{Name: "OIML D 28:2004", Clause: "conventional mass: 20 °C, 1.2 kg/m³, 8000 kg/m³"}
	AirBalance = Source{Name: "balance of forces in air", Clause: "m = W·(1 − ρa/ρ_adj)/(1 − ρa/ρ)", FromMemory: true}
	SOP2       = Source{Name: "NISTIR 6969, SOP 2", Clause: "air buoyancy corrections", FromMemory: true}
)

var (
	conventionalAir     = rat("1.2")  // kg/m³
	conventionalDensity = rat("8000") // kg/m³
	one                 = big.NewRat(1, 1)
)

// lift is 1 − air/density: the part of a weight that the air leaves.
func lift(air, density *big.Rat) *big.Rat {
	return new(big.Rat).Sub(one, new(big.Rat).Quo(air, density))
}

func denser(air *big.Rat, densities ...*big.Rat) error {
	if air.Sign() < 0 {
		return fmt.Errorf("air has no negative density")
	}
	for _, d := range densities {
		if d.Cmp(air) <= 0 {
			return fmt.Errorf("a density of %s kg/m³ is not above that of the air: such a thing does not rest on a pan", Exact(d))
		}
	}
	return nil
}

// TrueMass is the mass of what lies on the pan, from what the balance shows, in the same unit as that: for the density of the air, of
// the weight that the balance was adjusted with, and of the sample, all in kg/m³. It holds where the balance was adjusted in air of the
// same density as it weighs in.
func TrueMass(indicated, air, adjusted, sample *big.Rat) (*big.Rat, error) {
	if err := denser(air, adjusted, sample); err != nil {
		return nil, err
	}
	factor := new(big.Rat).Quo(lift(air, adjusted), lift(air, sample))
	return factor.Mul(factor, indicated), nil
}

// Conventional is the conventional mass of a body of a true mass and density in kg/m³: the mass of the weight of 8000 kg/m³ that it
// balances in air of 1.2 kg/m³ at 20 °C.
func Conventional(mass, density *big.Rat) (*big.Rat, error) {
	if err := denser(conventionalAir, density); err != nil {
		return nil, err
	}
	factor := new(big.Rat).Quo(lift(conventionalAir, density), lift(conventionalAir, conventionalDensity))
	return factor.Mul(factor, mass), nil
}

// FromConventional is the true mass of a body of a conventional mass and density in kg/m³.
func FromConventional(conventional, density *big.Rat) (*big.Rat, error) {
	if err := denser(conventionalAir, density); err != nil {
		return nil, err
	}
	factor := new(big.Rat).Quo(lift(conventionalAir, conventionalDensity), lift(conventionalAir, density))
	return factor.Mul(factor, conventional), nil
}

// Compared is the true mass of a body that differs from a standard by an observed difference in air: m = (M·(1 − ρa/ρM) + D)/(1 − ρa/ρ),
// with the difference already multiplied by the sensitivity of the balance. Masses in one unit, densities in another.
func Compared(standard, standardDensity, difference, density, air *big.Rat) (*big.Rat, error) {
	if err := denser(air, standardDensity, density); err != nil {
		return nil, err
	}
	m := new(big.Rat).Mul(standard, lift(air, standardDensity))
	m.Add(m, difference)
	return m.Quo(m, lift(air, density)), nil
}
