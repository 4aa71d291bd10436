package metrology

import (
	"fmt"
	"math/big"
	"strings"
)

// Where the tests of single-dose units come from.
var (
	PhEur295 = Source{Name: "European Pharmacopoeia 2.9.5 (01/2008:20905), uniformity of mass of single-dose preparations", Clause: "table 2.9.5.-1"}
	USP905   = Source{Name: "USP <905> uniformity of dosage units, harmonised with European Pharmacopoeia 2.9.40", Clause: "table 2"}
)

// dose says from which average mass in milligrams on a percentage holds; a limit of "more than" is upTo, one of "less than" is below.
type dose struct {
	upTo, below *big.Rat
	percent     *big.Rat
}

var doseForms = []struct {
	name  string
	steps []dose
}{
	{"tablets, uncoated or film-coated", []dose{{upTo: rat("80"), percent: rat("10")}, {below: rat("250"), percent: rat("7.5")}, {percent: rat("5")}}},
	{"capsules, granules and powders, single-dose", []dose{{below: rat("300"), percent: rat("10")}, {percent: rat("7.5")}}},
	{"powders for parenteral use", []dose{{upTo: rat("40")}, {percent: rat("10")}}}, // at or below 40 mg: the content is tested instead
	{"suppositories and pessaries", []dose{{percent: rat("5")}}},
	{"powders for eye-drops and eye lotions", []dose{{below: rat("300"), percent: rat("10")}, {percent: rat("7.5")}}},
}

// DoseForms lists the pharmaceutical forms that the table of the European Pharmacopoeia, 2.9.5, has.
func DoseForms() (names []string) {
	for _, f := range doseForms {
		names = append(names, f.name)
	}
	return names
}

// DoseLimit is the percentage by which no more than two of twenty units may differ from their average mass, and none by twice as much, for
// a form of DoseForms and an average mass in grams. Source: PhEur295.
func DoseLimit(form string, average *big.Rat) (*big.Rat, error) {
	if average.Sign() <= 0 {
		return nil, fmt.Errorf("the average mass has to be greater than zero")
	}
	mg := new(big.Rat).Mul(average, perCubic)
	for _, f := range doseForms {
		if f.name != form {
			continue
		}
		for _, s := range f.steps {
			if s.upTo != nil && mg.Cmp(s.upTo) > 0 || s.below != nil && mg.Cmp(s.below) >= 0 {
				continue
			}
			if s.percent == nil {
				return nil, fmt.Errorf("%s of %s mg and less are tested for their content and not for their mass (European Pharmacopoeia 2.9.6)", f.name, Exact(s.upTo))
			}
			return new(big.Rat).Set(s.percent), nil
		}
	}
	return nil, fmt.Errorf("%.60q is no form of the table: one of %s", form, strings.Join(DoseForms(), "; "))
}

// Doses is what weighing single-dose units found.
type Doses struct {
	Average    *big.Rat
	Percent    *big.Rat   // the limit for that average
	Deviations []*big.Rat // of each unit from the average, in per cent, with their sign
	// Outside counts those beyond the limit, Twice those beyond twice the limit (they are in Outside as well).
	Outside, Twice int
	Passes         bool
}

// unitsWeighed and mostOutside are the figures of 2.9.5.
const (
	unitsWeighed = 20
	mostOutside  = 2
)

// UniformityOfMass judges twenty single masses, in grams: not more than two differ from the average by more than the percentage of the
// table, and none by more than twice that. For what is in a capsule or a vial, the masses are those of the contents. Comparisons are exact:
// nothing is rounded first. Source: PhEur295.
func UniformityOfMass(form string, masses []*big.Rat) (d Doses, err error) {
	if len(masses) != unitsWeighed {
		return d, fmt.Errorf("uniformity of mass takes the masses of %d units, and there are %d", unitsWeighed, len(masses))
	}
	d.Average, _ = Mean(masses)
	if d.Percent, err = DoseLimit(form, d.Average); err != nil {
		return d, err
	}
	twice := new(big.Rat).Add(d.Percent, d.Percent)
	for _, m := range masses {
		off, err := DeviationPercent(m, d.Average)
		if err != nil {
			return d, err
		}
		d.Deviations = append(d.Deviations, off)
		size := new(big.Rat).Abs(off)
		if size.Cmp(d.Percent) > 0 {
			d.Outside++
		}
		if size.Cmp(twice) > 0 {
			d.Twice++
		}
	}
	d.Passes = d.Outside <= mostOutside && d.Twice == 0
	return d, nil
}

// DeviationPercent is how far a mass is from an average, in per cent of the average, with its sign. Both in one unit. Source: PhEur295.
func DeviationPercent(mass, average *big.Rat) (*big.Rat, error) {
	if mass.Sign() < 0 || average.Sign() <= 0 {
		return nil, fmt.Errorf("a mass is not negative and its average greater than zero")
	}
	off := new(big.Rat).Sub(mass, average)
	off.Quo(off, average)
	return off.Mul(off, hundred), nil
}

// ContentByMass is the content of one unit in per cent of the label claim, estimated from its mass: x = w·A/W, with the average mass W of
// the units and the content A found by assay, in per cent of the label claim. Masses in one unit. Source: USP905, weight variation.
func ContentByMass(mass, average, assay *big.Rat) (*big.Rat, error) {
	if mass.Sign() < 0 || average.Sign() <= 0 || assay.Sign() < 0 {
		return nil, fmt.Errorf("a mass and an assay are not negative, and an average mass is greater than zero")
	}
	x := new(big.Rat).Quo(mass, average)
	return x.Mul(x, assay), nil
}

// The figures of USP <905>, table 2.
var (
	lowReference  = rat("98.5")
	highReference = rat("101.5")
	greatestAV    = rat("15.0") // L1
	farthestUnit  = rat("0.25") // L2 = 25.0, over 100
	acceptability = map[int]*big.Rat{10: rat("2.4"), 30: rat("2.0")}
)

// Acceptance is an acceptance value with what it rests on, all in per cent of the label claim.
type Acceptance struct {
	N         int
	Mean, SD  *big.Rat
	Reference *big.Rat // M
	K         *big.Rat
	Value     *big.Rat // AV = |M − mean| + k·s
	Limit     *big.Rat // L1
	Low, High *big.Rat // the contents that no unit may be beyond, where 30 are tested (L2)
	// Within: the value is at most L1. Passes: that, and with thirty units no unit is beyond Low and High. Of ten that do not pass, twenty more
	// are tested: that is no failure yet.
	Within, Passes bool
}

// AcceptanceValue judges the contents of 10 or 30 units, in per cent of the label claim, with the target content T at manufacture (100
// unless the maker states another). Comparisons are exact: nothing is rounded first. Source: USP905.
func AcceptanceValue(contents []*big.Rat, target *big.Rat) (a Acceptance, err error) {
	mean, err := Mean(contents)
	if err != nil {
		return a, err
	}
	sd, err := SD(contents)
	if err != nil {
		return a, err
	}
	if a, err = AcceptanceOf(len(contents), mean, sd, target); err != nil {
		return a, err
	}
	a.Passes = a.Within
	if a.N == 30 {
		for _, x := range contents {
			a.Passes = a.Passes && x.Cmp(a.Low) >= 0 && x.Cmp(a.High) <= 0
		}
	}
	return a, nil
}

// AcceptanceOf gives the acceptance value from the number of units, the mean and the standard deviation of their contents and the target
// content, in per cent of the label claim. It has not seen the units: Passes stays false. Source: USP905.
func AcceptanceOf(n int, mean, sd, target *big.Rat) (a Acceptance, err error) {
	k := acceptability[n]
	if k == nil {
		return a, fmt.Errorf("an acceptance value takes 10 or 30 units, and there are %d", n)
	}
	if sd.Sign() < 0 || target.Sign() <= 0 {
		return a, fmt.Errorf("a standard deviation is not negative, and a target content is greater than zero")
	}
	top := Max(highReference, target)
	a = Acceptance{N: n, Mean: mean, SD: sd, K: new(big.Rat).Set(k), Limit: new(big.Rat).Set(greatestAV), Reference: new(big.Rat).Set(mean)}
	switch {
	case mean.Cmp(lowReference) < 0:
		a.Reference.Set(lowReference)
	case mean.Cmp(top) > 0:
		a.Reference.Set(top)
	}
	a.Value = new(big.Rat).Sub(a.Reference, mean)
	a.Value.Abs(a.Value)
	a.Value.Add(a.Value, new(big.Rat).Mul(k, sd))
	a.Low = new(big.Rat).Mul(a.Reference, new(big.Rat).Sub(one, farthestUnit))
	a.High = new(big.Rat).Mul(a.Reference, new(big.Rat).Add(one, farthestUnit))
	a.Within = a.Value.Cmp(a.Limit) <= 0
	return a, nil
}
