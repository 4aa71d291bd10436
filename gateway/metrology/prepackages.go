package metrology

import (
	"fmt"
	"math/big"
	"strings"
)

// Where the checks of prepackages come from. The text of OIML R 87:2016 itself could not be read: its table of deficiencies is that of 2004 (from
// memory), which national laws print. Its sampling plans differ from those of 2004 and are not here.
var (
	R87Deficiency = Source{Name: "OIML R 87:2004, table 1", Clause: "as printed in National Trade Measurement Regulations 2009 (Australia), reg. 4.36"}
	R87Plan       = Source{Name: "OIML R 87:2004, table 2", Clause: "as printed in National Trade Measurement Regulations 2009 (Australia), reg. 4.34"}
	EEC76211      = Source{Name: "Directive 76/211/EEC", Clause: "annex I, 2.4; annex II, 2.2 and 2.3"}
	NZ7A          = Source{Name: "Weights and Measures Regulations 1999 (New Zealand)", Clause: "schedule 7A, table 1"}
)

// deficiencies are the steps of OIML R 87, table 1: up to a nominal quantity, either a percentage of it or an amount, in g or mL.
var deficiencies = []struct{ upTo, percent, amount *big.Rat }{
	{upTo: rat("50"), percent: rat("9")},
	{upTo: rat("100"), amount: rat("4.5")},
	{upTo: rat("200"), percent: rat("4.5")},
	{upTo: rat("300"), amount: rat("9")},
	{upTo: rat("500"), percent: rat("3")},
	{upTo: rat("1000"), amount: rat("15")},
	{upTo: rat("10000"), percent: rat("1.5")},
	{upTo: rat("15000"), amount: rat("150")},
	{upTo: rat("50000"), percent: rat("1")},
}

// TolerableDeficiency is T, by how much a prepackage may fall short of its nominal quantity, both in grams (or both in mL), for nominal
// quantities up to 50 kg: the table, rounded up to the next 0.1 g up to 1000 g and to the next whole gram above. Directive 76/211/EEC calls
// it tolerable negative error, begins at 5 g and ends at 10 kg. Source: R87Deficiency.
func TolerableDeficiency(nominal *big.Rat) (*big.Rat, error) {
	if nominal.Sign() <= 0 {
		return nil, fmt.Errorf("the nominal quantity has to be greater than zero")
	}
	step := rat("0.1")
	if nominal.Cmp(rat("1000")) > 0 {
		step = one
	}
	for _, d := range deficiencies {
		if nominal.Cmp(d.upTo) > 0 {
			continue
		}
		if d.amount != nil {
			return new(big.Rat).Set(d.amount), nil
		}
		t := new(big.Rat).Mul(nominal, d.percent)
		return RoundUp(t.Quo(t, hundred), step), nil
	}
	return nil, fmt.Errorf("a nominal quantity of %s g is above 50 kg: the table ends there", Exact(nominal))
}

// PackagePlan says how many prepackages of a lot are checked and how they are judged.
type PackagePlan struct {
	Name    string
	Sample  int      // packages
	Factor  *big.Rat // sample correction factor: the mean plus Factor times s is at least nominal
	Allowed int      // packages that may be short by more than T and at most 2T
	Source  Source
}

// The plans that are known, by name.
const (
	PlanR87         = "OIML R 87:2004"
	PlanDestructive = "76/211/EEC, destructive"
	PlanNewZealand  = "New Zealand, schedule 7A"
)

type planRow struct {
	from, to, sample int // to 0: no upper end
	factor           string
	allowed          int
}

var packagePlans = []struct {
	name   string
	source Source
	rows   []planRow
}{
	{PlanR87, R87Plan, []planRow{{100, 500, 50, "0.379", 3}, {501, 3200, 80, "0.295", 5}, {3201, 0, 125, "0.234", 7}}},
	{PlanDestructive, EEC76211, []planRow{{100, 0, 20, "0.640", 1}}},
	{PlanNewZealand, NZ7A, []planRow{{13, 39, 12, "0.746", 0}, {40, 79, 12, "0.826", 1}, {80, 149, 12, "0.860", 2},
		{150, 399, 32, "0.465", 3}, {400, 4000, 32, "0.483", 4}, {4001, 0, 80, "0.295", 6}}},
}

// PackagePlans lists the single sampling plans that are known by name. Which one holds, local law says.
func PackagePlans() (names []string) {
	for _, p := range packagePlans {
		names = append(names, p.name)
	}
	return names
}

// PackagePlanFor gives the plan of a name for a lot of so many packages. A lot that is too small for a plan is examined whole, and how many
// short packages are allowed then is a matter of local law: it is refused here.
func PackagePlanFor(name string, lot int) (PackagePlan, error) {
	for _, p := range packagePlans {
		if p.name != name {
			continue
		}
		for _, r := range p.rows {
			if lot >= r.from && (r.to == 0 || lot <= r.to) {
				return PackagePlan{Name: name, Sample: r.sample, Factor: rat(r.factor), Allowed: r.allowed, Source: p.source}, nil
			}
		}
		return PackagePlan{}, fmt.Errorf("%s has no sampling plan for a lot of %d packages: below %d the whole lot is examined by the rules of the place",
			name, lot, p.rows[0].from)
	}
	return PackagePlan{}, fmt.Errorf("%.40q is no sampling plan: one of %s", name, strings.Join(PackagePlans(), "; "))
}

// Prepackages is what checking a sample found. Quantities are in grams (or all in mL).
type Prepackages struct {
	Nominal, T *big.Rat
	N          int
	Mean, SD   *big.Rat
	// Weighted is Mean + Factor·SD, which is at least Nominal in a lot that passes.
	Weighted *big.Rat
	// T1 counts the packages short by more than T and at most 2T, T2 those short by more than 2T.
	T1, T2 int
	Plan   PackagePlan
	// AveragePasses, T1Passes and T2Passes are the three requirements, and Passes all of them.
	AveragePasses, T1Passes, T2Passes, Passes bool
}

// CheckPackages judges the actual quantities of a sample, in grams, by a plan: the sample is as large as the plan says. Comparisons are exact.
// It is a check for the packer; what an inspector finds counts before it. Sources: R87Deficiency and the one of the plan.
func CheckPackages(plan PackagePlan, nominal *big.Rat, quantities []*big.Rat) (p Prepackages, err error) {
	if len(quantities) != plan.Sample {
		return p, fmt.Errorf("%s takes a sample of %d packages from this lot, and there are %d", plan.Name, plan.Sample, len(quantities))
	}
	t, err := TolerableDeficiency(nominal)
	if err != nil {
		return p, err
	}
	mean, err := Mean(quantities)
	if err != nil {
		return p, err
	}
	sd, err := SD(quantities)
	if err != nil {
		return p, err
	}
	t1, t2 := 0, 0
	twice := new(big.Rat).Add(t, t)
	for _, q := range quantities {
		switch short := new(big.Rat).Sub(nominal, q); {
		case short.Cmp(twice) > 0:
			t2++
		case short.Cmp(t) > 0:
			t1++
		}
	}
	return JudgePackages(plan, nominal, mean, sd, t1, t2)
}

// JudgePackages judges a sample from what it comes to: mean and standard deviation in grams, and how many packages were short by more than T
// and at most 2T, and by more than 2T. Sources: R87Deficiency and the one of the plan.
func JudgePackages(plan PackagePlan, nominal, mean, sd *big.Rat, t1, t2 int) (p Prepackages, err error) {
	if sd.Sign() < 0 || mean.Sign() < 0 || t1 < 0 || t2 < 0 || t1+t2 > plan.Sample {
		return p, fmt.Errorf("a mean, a standard deviation and a count are not negative, and no more than %d packages are short", plan.Sample)
	}
	p = Prepackages{Nominal: nominal, N: plan.Sample, Mean: mean, SD: sd, T1: t1, T2: t2, Plan: plan}
	if p.T, err = TolerableDeficiency(nominal); err != nil {
		return p, err
	}
	p.Weighted = new(big.Rat).Add(mean, new(big.Rat).Mul(plan.Factor, sd))
	p.AveragePasses = p.Weighted.Cmp(nominal) >= 0
	p.T1Passes, p.T2Passes = t1 <= plan.Allowed, t2 == 0
	p.Passes = p.AveragePasses && p.T1Passes && p.T2Passes
	return p, nil
}

// Verdict is what one or both samples of a double plan come to.
type Verdict string

// The verdicts.
const (
	Accepted Verdict = "accepted"
	Rejected Verdict = "rejected"
	TakeMore Verdict = "a second sample"
)

// doublePlans are those of Directive 76/211/EEC, annex II, 2.2.1: each sample, and accept and reject numbers after the first and after both.
var doublePlans = []struct{ from, to, each, accept1, reject1, accept2 int }{
	{100, 500, 30, 1, 3, 4}, {501, 3200, 50, 2, 5, 6}, {3201, 0, 80, 3, 7, 8},
}

// DoublePlan judges how many packages are short by more than the tolerable error, in the first sample (second −1) or in the second as well,
// for a lot checked without opening the packages; each is how many packages one sample has. That no package may be short by more than twice
// the error, and the average, are judged beside it: see AverageEEC. Source: EEC76211.
func DoublePlan(lot, first, second int) (v Verdict, each int, err error) {
	for _, p := range doublePlans {
		if lot < p.from || p.to != 0 && lot > p.to {
			continue
		}
		switch {
		case first < 0 || first > p.each || second < -1 || second > p.each:
			return "", p.each, fmt.Errorf("a sample has %d packages: no more than that can be short", p.each)
		case first <= p.accept1:
			return Accepted, p.each, nil
		case first >= p.reject1:
			return Rejected, p.each, nil
		case second == -1:
			return TakeMore, p.each, nil
		case first+second <= p.accept2:
			return Accepted, p.each, nil
		}
		return Rejected, p.each, nil
	}
	return "", 0, fmt.Errorf("the plan begins at a lot of 100 packages: of %d each one is checked", lot)
}

// AverageEEC gives the sample and the factor for the average of a lot checked without opening the packages: the mean is at least the nominal
// quantity less factor·s. Source: EEC76211, annex II, 2.3.3.
func AverageEEC(lot int) (sample int, factor *big.Rat, err error) {
	switch {
	case lot > 500:
		return 50, rat("0.379"), nil
	case lot >= 100:
		return 30, rat("0.503"), nil
	}
	return 0, nil, fmt.Errorf("the plan begins at a lot of 100 packages: of %d each one is checked, and the average is at least the nominal quantity", lot)
}
