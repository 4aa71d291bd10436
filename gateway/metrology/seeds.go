package metrology

import (
	"fmt"
	"math/big"
)

// The rules that seeds are tested by. The chapters themselves could not be read here.
var (
	SeedMassRules     = Source{Name: "International Rules for Seed Testing", Clause: "chapter 10: counting replicates", FromMemory: true}
	SeedDecimalRules  = Source{Name: "International Rules for Seed Testing", Clause: "3.5.1: decimals by mass", FromMemory: true}
	SeedMoistureRules = Source{Name: "International Rules for Seed Testing", Clause: "chapter 9: oven method", FromMemory: true}
)

// SeedCount is what replicates of counted seeds say of a lot. Masses in grams.
type SeedCount struct {
	N        int      // replicates weighed
	Mean     *big.Rat // of all
	Variance *big.Rat // g²
	SD       *big.Rat
	CV       *big.Rat // SD in % of the mean
	Limit    *big.Rat // of CV, %
	Within   bool     // CV is not above Limit; nothing is rounded first
	More     bool     // eight further replicates are asked for
	// Discarded says which replicates, from 0 on, were left out: of sixteen, those further than twice SD from the mean.
	Discarded []int
	Thousand  *big.Rat // the mass of a thousand seeds; nil while More
	Source    Source
}

// SeedsCounted judges 8 replicates of equally many seeds, or 16 where the first eight scattered too much, in the order in which they were
// weighed, in grams. The scatter is too much where the coefficient of variation exceeds 4.0 %, or 6.0 % for chaffy grass seeds. Sixteen give
// the mean of those that are left once those are discarded that diverge from the mean of all by more than twice their standard deviation.
func SeedsCounted(masses []*big.Rat, seeds int, chaffy bool) (c SeedCount, err error) {
	c.Source, c.N, c.Limit = SeedMassRules, len(masses), big.NewRat(4, 1)
	if chaffy {
		c.Limit = big.NewRat(6, 1)
	}
	if c.N != 8 && c.N != 16 {
		return c, fmt.Errorf("the rules weigh 8 replicates, and 8 further ones where those scatter too much, and there are %d", c.N)
	}
	if seeds < 1 {
		return c, fmt.Errorf("a replicate has one seed or more, and %d are given (the rules count 100)", seeds)
	}
	for i, m := range masses {
		if m.Sign() <= 0 {
			return c, fmt.Errorf("replicate %d weighs %s g: seeds weigh more than nothing", i+1, Exact(m))
		}
	}
	if c.Mean, err = Mean(masses); err != nil {
		return c, err
	}
	if c.Variance, err = Variance(masses); err != nil {
		return c, err
	}
	if c.SD, err = Sqrt(c.Variance); err != nil {
		return c, err
	}
	c.CV = percentOf(c.SD, c.Mean)
	// Compared by squares, so that a root that was cut off decides nothing.
	bound := new(big.Rat).Mul(c.Mean, new(big.Rat).Quo(c.Limit, hundred))
	c.Within = c.Variance.Cmp(bound.Mul(bound, bound)) <= 0
	if c.N == 8 && !c.Within {
		c.More = true
		return c, nil
	}
	kept := masses
	if c.N == 16 {
		kept, c.Discarded = nearMean(masses, c.Mean, c.Variance)
	}
	mean, err := Mean(kept)
	if err != nil {
		return c, err
	}
	c.Thousand = mean.Mul(mean, big.NewRat(1000, int64(seeds)))
	return c, nil
}

// nearMean parts what is not further than twice the standard deviation from the mean from what is, the latter by place.
func nearMean(x []*big.Rat, mean, variance *big.Rat) (kept []*big.Rat, far []int) {
	four := new(big.Rat).Mul(big.NewRat(4, 1), variance)
	for i, v := range x {
		d := new(big.Rat).Sub(v, mean)
		if d.Mul(d, d).Cmp(four) > 0 {
			far = append(far, i)
			continue
		}
		kept = append(kept, v)
	}
	return kept, far
}

// SeedDecimals is how many decimals a mass in grams is weighed and reported to by the seed rules: four significant digits, from four
// decimals below 1 g to none from 1000 g on.
func SeedDecimals(grams *big.Rat) (int, Source) {
	for decimals, end := 4, int64(1); decimals > 0; decimals, end = decimals-1, end*10 {
		if grams.Cmp(big.NewRat(end, 1)) < 0 {
			return decimals, SeedDecimalRules
		}
	}
	return 0, SeedDecimalRules
}

// SeedMoisture is the moisture of seeds in % of their mass before drying: (M2 − M3)·100/(M2 − M1), with the masses in grams of container and
// lid (M1), with the seeds before drying (M2) and after (M3). It is LossOnDrying by the name that the seed rules give it.
func SeedMoisture(container, before, after *big.Rat) (*big.Rat, Source, error) {
	m, _, err := LossOnDrying(container, before, after)
	return m, SeedMoistureRules, err
}

// PredriedMoisture is the moisture before anything was dried, in %, of seeds that lost a part of it before they were ground, from both
// losses in %: S1 + S2 − S1·S2/100.
func PredriedMoisture(first, second *big.Rat) (*big.Rat, Source, error) {
	for _, s := range []*big.Rat{first, second} {
		if s.Sign() < 0 || s.Cmp(hundred) >= 0 {
			return nil, SeedMoistureRules, fmt.Errorf("a loss of %s %% is none: from 0 to less than 100 %%", Exact(s))
		}
	}
	product := new(big.Rat).Mul(first, second)
	sum := new(big.Rat).Add(first, second)
	return sum.Sub(sum, product.Quo(product, hundred)), SeedMoistureRules, nil
}

// SeedKind is what the tolerance between two determinations of moisture depends on.
type SeedKind string

const (
	CropSeeds      SeedKind = "crop"       // agricultural and vegetable seeds
	SmallTreeSeeds SeedKind = "small tree" // trees and shrubs, more than 5000 seeds to the kilogram
	LargeTreeSeeds SeedKind = "large tree" // trees and shrubs, 5000 seeds to the kilogram or fewer
)

// MoistureTolerance is by how many % of mass two determinations of moisture of one sample may differ: 0.2 for crop seeds; for trees and
// shrubs by their size and by the moisture in %, below 12, from 12 to 25, and above.
func MoistureTolerance(kind SeedKind, moisture *big.Rat) (*big.Rat, Source, error) {
	rows := map[SeedKind][]*big.Rat{CropSeeds: rats("0.2", "0.2", "0.2"), SmallTreeSeeds: rats("0.3", "0.5", "0.5"), LargeTreeSeeds: rats("0.4", "0.8", "2.5")}
	row, known := rows[kind]
	if !known {
		return nil, SeedMoistureRules, fmt.Errorf("%.20q is no kind of seeds: crop, small tree or large tree", string(kind))
	}
	switch {
	case moisture.Cmp(big.NewRat(12, 1)) < 0:
		return row[0], SeedMoistureRules, nil
	case moisture.Cmp(big.NewRat(25, 1)) <= 0:
		return row[1], SeedMoistureRules, nil
	}
	return row[2], SeedMoistureRules, nil
}

// Pair is two determinations of one sample, held against how far they may differ.
type Pair struct {
	Mean, Difference, Tolerance *big.Rat
	Within                      bool // the difference is not above the tolerance; nothing is rounded first
	Source                      Source
}

// SeedMoisturePair judges two determinations of the moisture of one sample, in %. Where they differ by more than the tolerance for their mean,
// the rules have both done again.
func SeedMoisturePair(kind SeedKind, first, second *big.Rat) (Pair, error) {
	p := Pair{Mean: new(big.Rat).Add(first, second), Difference: new(big.Rat).Sub(first, second)}
	p.Mean.Quo(p.Mean, big.NewRat(2, 1))
	p.Difference.Abs(p.Difference)
	var err error
	if p.Tolerance, p.Source, err = MoistureTolerance(kind, p.Mean); err != nil {
		return p, err
	}
	p.Within = p.Difference.Cmp(p.Tolerance) <= 0
	return p, nil
}
