package metrology

import (
	"fmt"
	"math/big"
)

// USP41 is the chapter on balances for weighing accurately.
var USP41 = Source{Name: "USP <41> Balances, official 2019-08-01"}

// The figures of USP <41>.
var (
	floorOfD     = big.NewRat(41, 100) // s is taken as 0.41 d where it is less: two rounding errors, √2·d/√12, rounded up
	fractionOfUS = big.NewRat(1, 1000) // 0.10 %
	minimumOfS   = big.NewRat(2000, 1) // 2·s/m ≤ 0.10 % ⇔ m ≥ 2000·s
	leastOfMax   = big.NewRat(5, 100)  // the test weight is between 5 % and 100 % of the capacity
	third        = big.NewRat(1, 3)    // the weight's own limit is at most a third of the limit tested
	usp41Least   = 10                  // weighings
	hundred      = big.NewRat(100, 1)
)

// Repeatability is what repeated weighings of one load found.
type Repeatability struct {
	N        int
	Mean, SD *big.Rat // of the readings, in grams
	// Effective is SD, or 0.41 d where that is more; Floored says so.
	Effective *big.Rat
	Floored   bool
	// Enough: there are as many weighings as USP <41> asks for, ten. With fewer the result is shown and is no test by that chapter.
	Enough bool
}

// RepeatabilityUSP41 judges repeated readings of one load on a balance of readability d (USP <41>, Repeatability).
func RepeatabilityUSP41(readings []*big.Rat, d *big.Rat) (r Repeatability, err error) {
	if d.Sign() <= 0 {
		return r, fmt.Errorf("the readability of the balance is not known: without it there is no floor for the standard deviation")
	}
	if r.SD, err = SD(readings); err != nil {
		return r, err
	}
	r.Mean, _ = Mean(readings)
	r.N, r.Enough, r.Effective = len(readings), len(readings) >= usp41Least, r.SD
	if floor := new(big.Rat).Mul(floorOfD, d); r.SD.Cmp(floor) < 0 {
		r.Effective, r.Floored = floor, true
	}
	return r, nil
}

// Minimum is the least net quantity that may be weighed. It is never Min of OIML R 76-1, which belongs to an instrument's design.
type Minimum struct {
	Mass   *big.Rat
	Source Source
}

// MinimumUSP41 is 2000 × the greater of s and 0.41 d (USP <41>: 2·s/m ≤ 0.10 %).
func MinimumUSP41(sd, d *big.Rat) (Minimum, error) {
	if d.Sign() <= 0 || sd.Sign() < 0 {
		return Minimum{}, fmt.Errorf("a minimum weight takes a readability greater than zero and a standard deviation that is not negative")
	}
	m := Max(sd, new(big.Rat).Mul(floorOfD, d))
	return Minimum{Mass: new(big.Rat).Mul(minimumOfS, m), Source: USP41}, nil
}

// Passes says whether 2·s/m is at most 0.10 % for the smallest net weight that the lab weighs, and gives the ratio in per cent. The
// comparison is exact: nothing is rounded first.
func (r Repeatability) Passes(smallest *big.Rat) (percent *big.Rat, ok bool, err error) {
	if smallest.Sign() <= 0 {
		return nil, false, fmt.Errorf("the smallest net weight has to be greater than zero")
	}
	ratio := new(big.Rat).Quo(new(big.Rat).Mul(big.NewRat(2, 1), r.Effective), smallest)
	return new(big.Rat).Mul(ratio, hundred), ratio.Cmp(fractionOfUS) <= 0, nil
}

// Deviation is the error of a reading against the value of a weight, and what it is in per cent of that value, without its sign.
type Deviation struct {
	Error   *big.Rat // reading − value, in grams
	Percent *big.Rat
}

// ErrorOf gives the error of a reading against a weight's value: the conventional mass of its certificate, or its nominal mass.
func ErrorOf(reading, value *big.Rat) (Deviation, error) {
	if value.Sign() <= 0 {
		return Deviation{}, fmt.Errorf("the value of the weight has to be greater than zero")
	}
	e := new(big.Rat).Sub(reading, value)
	p := new(big.Rat).Quo(new(big.Rat).Abs(e), value)
	return Deviation{Error: e, Percent: p.Mul(p, hundred)}, nil
}

// AccuracyUSP41 says whether a deviation passes the accuracy test of USP <41>: at most 0.10 %. The comparison is exact: a lab that
// rounds to two decimals first, as USP General Notices 7.20 do, would pass up to 0.105 %, and the stricter reading is taken here.
func AccuracyUSP41(dev Deviation) bool {
	return new(big.Rat).Quo(dev.Percent, hundred).Cmp(fractionOfUS) <= 0
}

// RoundedPercent gives a deviation to two decimals, as reports print it.
func (d Deviation) RoundedPercent() string { return Text(d.Percent, 2, HalfAway) }

// WithinCapacity says whether a test weight is between 5 % and 100 % of the capacity (USP <41>, Accuracy).
func WithinCapacity(value, capacity *big.Rat) bool {
	return value.Cmp(new(big.Rat).Mul(leastOfMax, capacity)) >= 0 && value.Cmp(capacity) <= 0
}

// FineEnough says whether a weight's own limit, its maximum permissible error or the uncertainty of its calibration, is at most a
// third of the limit that is tested with it (USP <41>, Accuracy; OIML R 76-1:2006, 3.7.1, from memory).
func FineEnough(own, tested *big.Rat) bool {
	return own.Cmp(new(big.Rat).Mul(third, tested)) <= 0
}
