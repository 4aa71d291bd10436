package metrology

import (
	"fmt"
	"math/big"
)

// Placed is a reading with the load at a position of the pan, or a load with what the balance showed under it, in grams.
type Placed struct {
	Name    string
	Load    *big.Rat // its value: conventional mass, or nominal
	Reading *big.Rat
}

// Eccentricity is how far readings off the centre are from the reading at the centre.
type Eccentricity struct {
	Differences []Placed // Reading is the difference from the centre
	Greatest    *big.Rat // without its sign
}

// EccentricityOf compares positions with the centre (EURAMET Calibration Guide 18, 5.3, from memory; OIML R 76-1:2006, 3.6.2 judges
// each reading by the limit at that load instead: ErrorOf and MPEBalance do that).
func EccentricityOf(centre *big.Rat, positions []Placed) (e Eccentricity, err error) {
	if len(positions) == 0 {
		return e, fmt.Errorf("an eccentricity test has readings off the centre, and there is none")
	}
	e.Greatest = new(big.Rat)
	for _, p := range positions {
		p.Reading = new(big.Rat).Sub(p.Reading, centre)
		e.Differences = append(e.Differences, p)
		e.Greatest = Max(e.Greatest, new(big.Rat).Abs(p.Reading))
	}
	return e, nil
}

// Linearity holds the errors of indication over the range.
type Linearity struct {
	Errors   []Placed // Reading is the error at that load
	Greatest *big.Rat // without its sign
	// Slope is the straight line through zero that fits the errors best (least squares), per gram of load, and Bent the greatest
	// distance of an error from it: what an adjustment of the sensitivity cannot take away.
	Slope, Bent *big.Rat
}

// LinearityOf gives errors of indication: reading less value of the load, at each load, up and down alike (EURAMET Calibration Guide
// 18, 5.2, from memory). One load or more is greater than zero.
func LinearityOf(loads []Placed) (l Linearity, err error) {
	xy, xx := new(big.Rat), new(big.Rat)
	l.Greatest, l.Bent = new(big.Rat), new(big.Rat)
	for _, p := range loads {
		e := new(big.Rat).Sub(p.Reading, p.Load)
		l.Errors = append(l.Errors, Placed{p.Name, p.Load, e})
		l.Greatest = Max(l.Greatest, new(big.Rat).Abs(e))
		xy.Add(xy, new(big.Rat).Mul(p.Load, e))
		xx.Add(xx, new(big.Rat).Mul(p.Load, p.Load))
	}
	if xx.Sign() == 0 {
		return l, fmt.Errorf("a linearity test has a load greater than zero, and there is none")
	}
	l.Slope = xy.Quo(xy, xx)
	for _, p := range l.Errors {
		l.Bent = Max(l.Bent, new(big.Rat).Abs(new(big.Rat).Sub(p.Reading, new(big.Rat).Mul(l.Slope, p.Load))))
	}
	return l, nil
}

// Sensitivity is the error of the span between zero and a load near capacity: (reading − reading at zero) − value, and the same per
// gram of load.
type Sensitivity struct {
	Error    *big.Rat
	Relative *big.Rat
}

// SensitivityOf takes the readings at zero and at a load near capacity.
func SensitivityOf(atZero, atLoad, value *big.Rat) (s Sensitivity, err error) {
	if value.Sign() <= 0 {
		return s, fmt.Errorf("the value of the weight has to be greater than zero")
	}
	s.Error = new(big.Rat).Sub(atLoad, atZero)
	s.Error.Sub(s.Error, value)
	s.Relative = new(big.Rat).Quo(s.Error, value)
	return s, nil
}
