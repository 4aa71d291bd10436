package metrology

import (
	"fmt"
	"math/big"
)

// CG18 is the guide on the calibration of non-automatic weighing instruments. Its formulas are from memory.
var CG18 = Source{Name: "EURAMET Calibration Guide No. 18, version 4.0", Clause: "7.5 and appendix G", FromMemory: true}

// InUse is the expanded uncertainty of a balance in use as its certificate gives it: U(W) = Alpha + Beta·W. Alpha is a mass in grams,
// Beta has no unit.
type InUse struct{ Alpha, Beta *big.Rat }

// At is U(W) for a net load.
func (u InUse) At(load *big.Rat) *big.Rat {
	return new(big.Rat).Add(u.Alpha, new(big.Rat).Mul(u.Beta, load))
}

// MinimumCG18 is α·SF/(Req − β·SF): the net load from which the relative expanded uncertainty, times a safety factor for what varies
// between calibrations, is at most req (0.001 for 0.10 %). Where β·SF is not below req there is none: this balance never meets it.
func MinimumCG18(u InUse, req, sf *big.Rat) (Minimum, error) {
	switch {
	case u.Alpha.Sign() < 0 || u.Beta.Sign() < 0:
		return Minimum{}, fmt.Errorf("an uncertainty in use has no negative part")
	case req.Sign() <= 0 || sf.Cmp(big.NewRat(1, 1)) < 0:
		return Minimum{}, fmt.Errorf("a minimum weight takes a required accuracy greater than zero and a safety factor of 1 or more")
	}
	below := new(big.Rat).Sub(req, new(big.Rat).Mul(u.Beta, sf))
	if below.Sign() <= 0 {
		return Minimum{}, fmt.Errorf("no weight is enough: the part of the uncertainty that grows with the load is not below the accuracy that is required")
	}
	return Minimum{Mass: new(big.Rat).Quo(new(big.Rat).Mul(u.Alpha, sf), below), Source: CG18}, nil
}

// Calibration holds what a calibration found of a balance: in grams, Eccentricity the greatest difference from the centre at
// EccentricLoad.
type Calibration struct {
	Capacity, AtZero, AtLoad *big.Rat // AtZero and AtLoad: the scale intervals there
	SD                       *big.Rat // the largest, or pooled, of its repeatability tests
	Eccentricity             *big.Rat
	EccentricLoad            *big.Rat
}

// twelve is for the rounding to a scale interval: a rectangular distribution of half-width d/2 has the variance d²/12.
var twelve = big.NewRat(12, 1)

// relativeEccentricity is the standard uncertainty of the position of the load, per gram of it, squared: (Δ/(2·L·√3))².
func (c Calibration) relativeEccentricity() *big.Rat {
	w := new(big.Rat).Quo(c.Eccentricity, new(big.Rat).Mul(big.NewRat(2, 1), c.EccentricLoad))
	return w.Quo(w.Mul(w, w), big.NewRat(3, 1))
}

// constantPart is the variance of an indication that does not depend on the load: rounding at zero and at the load, and repeatability.
func (c Calibration) constantPart() *big.Rat {
	sum := new(big.Rat).Mul(c.SD, c.SD)
	for _, d := range []*big.Rat{c.AtZero, c.AtLoad} {
		v := new(big.Rat).Mul(d, d)
		sum.Add(sum, v.Quo(v, twelve))
	}
	return sum
}

// IndicationVariance is u²(I) at an indication: rounding at zero and load, repeatability, eccentricity (clause 7.1).
func (c Calibration) IndicationVariance(indication *big.Rat) *big.Rat {
	load := new(big.Rat).Mul(indication, indication)
	return load.Add(load.Mul(load, c.relativeEccentricity()), c.constantPart())
}

// ReferenceVariance is u²(m) of a weight: its certificate's expanded uncertainty over k, and a drift since then within ± half-width
// (clause 7.1.2). Buoyancy and convection are left out: they are named in a budget where they matter.
func ReferenceVariance(expanded, k, drift *big.Rat) *big.Rat {
	u := new(big.Rat).Quo(expanded, k)
	d := new(big.Rat).Mul(drift, drift)
	return u.Add(u.Mul(u, u), d.Quo(d, big.NewRat(3, 1)))
}

// InUse straightens U(W) = 2·√(a² + b²·W²) to α + β·W between zero and the capacity (clause 7.5): α = U(0), β = (U(Max) − U(0))/Max.
func (c Calibration) InUse() (InUse, error) {
	if c.Capacity.Sign() <= 0 || c.EccentricLoad.Sign() <= 0 {
		return InUse{}, fmt.Errorf("an uncertainty in use takes a capacity and a load of the eccentricity test that are greater than zero")
	}
	two := big.NewRat(2, 1)
	u0, err := Sqrt(c.constantPart())
	if err != nil {
		return InUse{}, err
	}
	top, err := Sqrt(c.IndicationVariance(c.Capacity))
	if err != nil {
		return InUse{}, err
	}
	alpha := new(big.Rat).Mul(two, u0)
	beta := new(big.Rat).Sub(new(big.Rat).Mul(two, top), alpha)
	return InUse{Alpha: alpha, Beta: beta.Quo(beta, c.Capacity)}, nil
}
