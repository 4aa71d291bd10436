package procedure

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
)

// The units in which the functions take their arguments and give their results. A formula may give any other unit of the same quantity.
var (
	celsius   = mustUnit("Cel")
	pascals   = mustUnit("hPa")
	kgPerM3   = mustUnit("kg/m3")
	mLPerG    = mustUnit("mL/g")
	microL    = mustUnit("uL")
	grams     = mustUnit("g")
	plainUnit = mustUnit("1")
)

// functionNamed holds the functions that formulas of procedures may call beside those of the formula language, by name.
var functionNamed = byName(slices.Concat(airAndWater, volumes, doses, packages, counts, laboratory))

func byName(all []formula.Function) map[string]formula.Function {
	found := make(map[string]formula.Function, len(all))
	for _, f := range all {
		found[f.Name] = f
	}
	return found
}

// Functions lists them, by name.
func Functions() []formula.Function {
	return slices.SortedFunc(maps.Values(functionNamed), func(a, b formula.Function) int { return strings.Compare(a.Name, b.Name) })
}

// in is the number of a quantity in a unit of its kind, which the function's parameters have made sure of.
func in(v formula.Value, u formula.Unit) *big.Rat {
	q := v.Quantity
	if q.N == nil {
		return new(big.Rat)
	}
	return new(big.Rat).Quo(q.N, u.Size())
}

// listIn is in for each quantity of a list.
func listIn(v formula.Value, u formula.Unit) []*big.Rat {
	all := make([]*big.Rat, len(v.List))
	for i, q := range v.List {
		all[i] = in(formula.Of(q), u)
	}
	return all
}

func quantity(x *big.Rat, u formula.Unit, err error) (formula.Value, error) {
	if err != nil {
		return formula.Value{}, err
	}
	return formula.Of(formula.NewQuantity(x, u)), nil
}

// wholeNumber gives a plain number as an int, or says what is no whole number from 0 to a billion.
func wholeNumber(what string, v formula.Value) (int, error) {
	x := in(v, plainUnit)
	if !x.IsInt() || x.Sign() < 0 || x.Cmp(big.NewRat(1_000_000_000, 1)) > 0 {
		return 0, fmt.Errorf("%s of %s is none: a whole number is wanted", what, metrology.Exact(x))
	}
	return int(x.Num().Int64()), nil
}

// ofSource is a function of quantities, each in a unit, that metrology works out and names the source of.
func ofSource(name, says string, source metrology.Source, result formula.Unit, params []formula.Unit, do func(x []*big.Rat) (*big.Rat, error)) formula.Function {
	types := make([]formula.Type, len(params))
	for i, u := range params {
		types[i] = formula.In(u)
	}
	return formula.Function{Name: name, Says: says, Source: source, Params: types, Result: formula.In(result), Do: func(args []formula.Value) (formula.Value, error) {
		x := make([]*big.Rat, len(args))
		for i, v := range args {
			x[i] = in(v, params[i])
		}
		out, err := do(x)
		return quantity(out, result, err)
	}}
}

// plain drops the source that a function of metrology gives beside its value: the function is registered with it.
func plain(x *big.Rat, _ metrology.Source, err error) (*big.Rat, error) { return x, err }

var climate = []formula.Unit{celsius, pascals, percent}

var airAndWater = []formula.Function{
	ofSource("water_density", "density of pure water without air at 1013.25 hPa, from its temperature, 0 to 40 Cel", metrology.Tanaka2001, kgPerM3,
		[]formula.Unit{celsius}, func(x []*big.Rat) (*big.Rat, error) { return plain(metrology.WaterDensity(x[0])) }),
	ofSource("water_density_with_air", "density of water saturated with air, from its temperature, 0 to 25 Cel", metrology.TanakaAir, kgPerM3,
		[]formula.Unit{celsius}, func(x []*big.Rat) (*big.Rat, error) { return plain(metrology.WaterDensityWithAir(x[0])) }),
	ofSource("air_density", "density of air, from its temperature, pressure and relative humidity", metrology.TR20461, kgPerM3, climate,
		func(x []*big.Rat) (*big.Rat, error) { return plain(metrology.AirDensityVolumetric(x[0], x[1], x[2])) }),
	ofSource("true_mass", "mass of a body, from what the balance shows and the densities of the air, of the balance's weights and of the body", metrology.AirBalance,
		grams, []formula.Unit{grams, kgPerM3, kgPerM3, kgPerM3}, func(x []*big.Rat) (*big.Rat, error) { return metrology.TrueMass(x[0], x[1], x[2], x[3]) }),
}

var volumes = []formula.Function{
	ofSource("z_factor", "volume of water for each gram that a balance shows, from the temperature of water and air, the pressure and the relative humidity",
		metrology.ISO8655Z, mLPerG, climate, func(x []*big.Rat) (*big.Rat, error) { return plain(metrology.ZFactor(x[0], x[1], x[2])) }),
	ofSource("pipette_systematic", "largest systematic error of a piston pipette of one channel, types A and D1, from its nominal volume", pipetteSource, microL,
		[]formula.Unit{microL}, func(x []*big.Rat) (*big.Rat, error) {
			systematic, _, _, err := metrology.MPEPipette(x[0])
			return systematic, err
		}),
	ofSource("pipette_random", "largest random error of a piston pipette of one channel, types A and D1, from its nominal volume", pipetteSource, microL,
		[]formula.Unit{microL}, func(x []*big.Rat) (*big.Rat, error) {
			_, random, _, err := metrology.MPEPipette(x[0])
			return random, err
		}),
}

// pipetteSource carries the doubt of its weakest rows: which row is meant is not known before the nominal volume is.
var pipetteSource = metrology.Source{Name: metrology.ISO8655A.Name,
	Clause: "maximum permissible errors of types A and D1; the rows of 1 and 5 uL, and volumes between the rows, from memory"}

var doses = []formula.Function{
	{Name: "dose_limit", Says: "by how much of the average mass no more than two of twenty single-dose units may differ from it, from the form and the average mass",
		Source: metrology.PhEur295, Params: []formula.Type{formula.Text, formula.In(grams)}, Result: formula.In(percent),
		Do: func(args []formula.Value) (formula.Value, error) {
			limit, err := metrology.DoseLimit(args[0].Text, in(args[1], grams))
			return quantity(limit, percent, err)
		}},
	doseCount("doses_outside", "how many of twenty single-dose units differ from their average mass by more than the limit of their form",
		func(d metrology.Doses) int { return d.Outside }),
	doseCount("doses_far_outside", "how many of twenty single-dose units differ from their average mass by more than twice the limit of their form",
		func(d metrology.Doses) int { return d.Twice }),
}

func doseCount(name, says string, count func(metrology.Doses) int) formula.Function {
	return formula.Function{Name: name, Says: says, Source: metrology.PhEur295, Params: []formula.Type{formula.Text, formula.ListIn(grams)}, Result: formula.Number,
		Do: func(args []formula.Value) (formula.Value, error) {
			d, err := metrology.UniformityOfMass(args[0].Text, listIn(args[1], grams))
			return quantity(big.NewRat(int64(count(d)), 1), plainUnit, err)
		}}
}

var packages = []formula.Function{
	ofSource("tolerable_deficiency", "by how much a prepackage may fall short of its nominal quantity", metrology.R87Deficiency, grams, []formula.Unit{grams},
		func(x []*big.Rat) (*big.Rat, error) { return metrology.TolerableDeficiency(x[0]) }),
	ofPlan("package_sample", "how many packages of a lot are checked", func(p metrology.PackagePlan) *big.Rat { return big.NewRat(int64(p.Sample), 1) }),
	ofPlan("package_factor", "the factor by which the standard deviation counts beside the mean", func(p metrology.PackagePlan) *big.Rat { return p.Factor }),
	ofPlan("packages_allowed", "how many packages may be short by more than the tolerable deficiency, and not by more than twice that",
		func(p metrology.PackagePlan) *big.Rat { return big.NewRat(int64(p.Allowed), 1) }),
	shortPackages("packages_short", "how many packages are short by more than the tolerable deficiency, and not by more than twice that", 1, 2),
	shortPackages("packages_far_short", "how many packages are short by more than twice the tolerable deficiency", 2, 0),
}

// planSource is of the table that the name of a plan chooses: the record has the name among the inputs.
var planSource = metrology.Source{Name: "sampling plans for prepackages", Clause: strings.Join(metrology.PackagePlans(), "; ")}

// ofPlan is a function of the name of a sampling plan and the number of packages in the lot.
func ofPlan(name, says string, take func(metrology.PackagePlan) *big.Rat) formula.Function {
	return formula.Function{Name: name, Says: says, Source: planSource, Params: []formula.Type{formula.Text, formula.Number}, Result: formula.Number,
		Do: func(args []formula.Value) (formula.Value, error) {
			lot, err := wholeNumber("a lot", args[1])
			if err != nil {
				return formula.Value{}, err
			}
			p, err := metrology.PackagePlanFor(args[0].Text, lot)
			if err != nil {
				return formula.Value{}, err
			}
			return quantity(take(p), plainUnit, nil)
		}}
}

// shortPackages counts the quantities that are short by more than so many times the tolerable deficiency, and by no more than upTo times (0: any).
func shortPackages(name, says string, over, upTo int64) formula.Function {
	return formula.Function{Name: name, Says: says, Source: metrology.R87Deficiency,
		Params: []formula.Type{formula.In(grams), formula.ListIn(grams)}, Result: formula.Number, Do: func(args []formula.Value) (formula.Value, error) {
			nominal := in(args[0], grams)
			t, err := metrology.TolerableDeficiency(nominal)
			if err != nil {
				return formula.Value{}, err
			}
			n := int64(0)
			for _, x := range listIn(args[1], grams) {
				short := new(big.Rat).Sub(nominal, x)
				if short.Cmp(new(big.Rat).Mul(t, big.NewRat(over, 1))) > 0 && (upTo == 0 || short.Cmp(new(big.Rat).Mul(t, big.NewRat(upTo, 1))) <= 0) {
					n++
				}
			}
			return quantity(big.NewRat(n, 1), plainUnit, nil)
		}}
}

var counts = []formula.Function{
	ofSource("whole", "the nearest whole number, half to even", metrology.Source{Name: "ISO 80000-1:2022", Clause: "B.3, rule A"}, plainUnit, []formula.Unit{plainUnit},
		func(x []*big.Rat) (*big.Rat, error) {
			return metrology.Round(x[0], big.NewRat(1, 1), metrology.HalfEven), nil
		}),
}
