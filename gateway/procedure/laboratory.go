package procedure

import (
	"fmt"
	"math/big"
	"strconv"
	"strings"

	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
)

// The functions that formulas may call for densities, drying, solutions, filters, doses and pieces: names and units; the arithmetic is that of
// gateway/metrology. What a formula says in one line has none: the name of a function cannot be that of a step.
var laboratory = functionsOf(ofWater, ofVolume, ofDensity, ofDrying, ofSolutions, ofFilters, ofDoses, ofPieces)

func functionsOf(groups ...[]called) (all []formula.Function) {
	for _, group := range groups {
		for _, c := range group {
			all = append(all, c.function())
		}
	}
	return all
}

// called is a function as formulas call it.
type called struct {
	name string
	// takes has for each argument, with spaces between, its unit, or list:UNIT, text or truth.
	takes  string
	gives  string // the unit of what it gives
	says   string
	source metrology.Source
	do     func(a arguments) (*big.Rat, error)
}

// arguments are those of one call, each in the unit that takes says.
type arguments struct {
	values []formula.Value
	types  []formula.Type
}

func (a arguments) n(i int) *big.Rat      { return in(a.values[i], a.types[i].Unit) }
func (a arguments) list(i int) []*big.Rat { return listIn(a.values[i], a.types[i].Unit) }

func (a arguments) text(i int) string { return a.values[i].Text }
func (a arguments) truth(i int) bool  { return a.values[i].Truth }

func typeNamed(s string) formula.Type {
	switch list, is := strings.CutPrefix(s, "list:"); {
	case s == "text":
		return formula.Text
	case s == "truth":
		return formula.Truth
	case is:
		return formula.ListIn(mustUnit(list))
	}
	return formula.In(mustUnit(s))
}

func (c called) function() formula.Function {
	f := formula.Function{Name: c.name, Result: typeNamed(c.gives), Source: c.source, Says: c.says}
	for _, s := range strings.Fields(c.takes) {
		f.Params = append(f.Params, typeNamed(s))
	}
	f.Do = func(values []formula.Value) (v formula.Value, err error) {
		x, err := c.do(arguments{values, f.Params})
		if err != nil {
			return v, fmt.Errorf("%s: %w", c.name, err)
		}
		return formula.Of(formula.NewQuantity(x, f.Result.Unit)), nil
	}
	return f
}

var ofWater = []called{
	{"air_density_cipm", "Cel hPa %", "kg/m3", "density of moist air from temperature, pressure and relative humidity, to 0.00001 kg/m3", metrology.CIPM2007, airDensity},
	{"water_density_under", "Cel hPa", "kg/m3", "density of pure water without air under a pressure", metrology.TanakaPressure,
		func(a arguments) (*big.Rat, error) { return plain(metrology.WaterDensityUnder(a.n(0), a.n(1))) }},
}

// airDensity goes through floats, as the formula of the source is a fit; what it gives is cut to a digit that they do not touch.
func airDensity(a arguments) (*big.Rat, error) {
	t, _ := a.n(0).Float64()
	p, _ := a.n(1).Float64()
	h, _ := a.n(2).Float64()
	m, err := metrology.Air{Celsius: t, Pascal: p * 100, Humidity: h / 100}.CIPM()
	if err != nil {
		return nil, err
	}
	x, ok := new(big.Rat).SetString(strconv.FormatFloat(m.Density, 'f', 5, 64))
	if !ok {
		return nil, fmt.Errorf("the density of the air cannot be worked out")
	}
	return x, nil
}

var ofVolume = []called{
	{"z_of", "kg/m3 kg/m3 kg/m3", "mL/g", "volume of water for each gram shown, by the densities of water, air and weights", metrology.ISO8655Z,
		func(a arguments) (*big.Rat, error) { return plain(metrology.ZOf(a.n(0), a.n(1), a.n(2))) }},
	{"to_20", "Cel 1/K", "1", "what a volume delivered at a temperature is multiplied by to be that at 20 °C, by the cubic expansion of the device", metrology.ISO8655Z,
		func(a arguments) (*big.Rat, error) { return plain(metrology.To20(a.n(0), a.n(1))) }},
}

var ofDensity = []called{
	{"solid_density", "g g kg/m3 kg/m3", "kg/m3", "density of a solid from what it shows in air and in a liquid, and the densities of liquid and air", metrology.Hydrostatic,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.SolidDensity(a.n(0), a.n(1), a.n(2), a.n(3)))
		}},
	{"solid_density_with_sinker", "g g g kg/m3 kg/m3", "kg/m3", "density of a body that floats: in air, the sinker in the liquid, both in the liquid, liquid, air", metrology.Hydrostatic,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.SolidDensityWithSinker(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4)))
		}},
	{"solid_volume", "g g kg/m3 kg/m3", "mL", "volume of a solid from what it shows in air and in a liquid, and the densities of liquid and air", metrology.Hydrostatic,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.SolidVolume(a.n(0), a.n(1), a.n(2), a.n(3)))
		}},
	{"liquid_density", "g g kg/m3 kg/m3", "kg/m3", "density of a liquid from a sinker in air and in it, and the densities of sinker and air", metrology.Hydrostatic,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.LiquidDensity(a.n(0), a.n(1), a.n(2), a.n(3)))
		}},
	{"liquid_density_by_volume", "g g mL kg/m3", "kg/m3", "density of a liquid from a sinker in air and in it, the volume of the sinker and the density of the air", metrology.Hydrostatic,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.LiquidDensityByVolume(a.n(0), a.n(1), a.n(2), a.n(3)))
		}},
	{"pycnometer_volume", "g g kg/m3 kg/m3 kg/m3", "mL", "volume of a pycnometer: empty, full of water, and the densities of water, air and weights", metrology.Pycnometer,
		func(a arguments) (*big.Rat, error) {
			return metrology.PycnometerVolume(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4))
		}},
	{"pycnometer_liquid", "g g mL kg/m3 kg/m3", "kg/m3", "density of a liquid: pycnometer empty and full, its volume, and the densities of air and weights", metrology.Pycnometer,
		func(a arguments) (*big.Rat, error) {
			return metrology.PycnometerLiquid(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4))
		}},
	{"pycnometer_solid", "g g g g kg/m3 kg/m3", "kg/m3", "density of a solid: pycnometer empty, with the solid, with solid and liquid, with the liquid, and the densities of liquid and air",
		metrology.Pycnometer, func(a arguments) (*big.Rat, error) {
			return metrology.PycnometerSolid(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4), a.n(5))
		}},
	{"soil_gravity", "g g g", "1", "specific gravity of soil solids: dry soil, pycnometer with water, with soil and water", metrology.D854,
		func(a arguments) (*big.Rat, error) { return metrology.SoilGravity(a.n(0), a.n(1), a.n(2)) }},
	{"soil_factor", "kg/m3 kg/m3", "1", "what turns a specific gravity at a temperature into one at 20 °C, by the density of water at both", metrology.D854,
		func(a arguments) (*big.Rat, error) { return metrology.SoilFactor(a.n(0), a.n(1)) }},
}

var ofDrying = []called{
	{"predried_moisture", "% %", "%", "moisture before anything was dried, from the losses of two dryings", metrology.SeedMoistureRules,
		func(a arguments) (*big.Rat, error) { return plain(metrology.PredriedMoisture(a.n(0), a.n(1))) }},
	{"moisture_tolerance", "text %", "%", "by how much two determinations of moisture may differ, for crop, small tree or large tree seeds", metrology.SeedMoistureRules,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.MoistureTolerance(metrology.SeedKind(a.text(0)), a.n(1)))
		}},
	{"thousand_seeds", "list:g 1 truth", "g", "mass of a thousand seeds from 8 or 16 replicates of so many seeds each, chaffy or not, those too far off discarded of sixteen",
		metrology.SeedMassRules, thousandSeeds},
	{"water_on_dry_basis", "g g g", "%", "mass of water in per cent of the dry mass: container, with the sample before, and after", metrology.DrySource,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.WaterOnDryBasis(a.n(0), a.n(1), a.n(2)))
		}},
	{"wet_to_dry", "%", "%", "water in per cent of the dry mass, from that of the wet mass", metrology.DrySource,
		func(a arguments) (*big.Rat, error) { return plain(metrology.WetToDry(a.n(0))) }},
	{"dry_to_wet", "%", "%", "water in per cent of the wet mass, from that of the dry mass", metrology.DrySource,
		func(a arguments) (*big.Rat, error) { return plain(metrology.DryToWet(a.n(0))) }},
	{"mass_at_moisture", "g % %", "g", "what a mass weighs once its moisture is another", metrology.SameSolids,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.MassAtMoisture(a.n(0), a.n(1), a.n(2)))
		}},
	{"on_dry_basis", "% %", "%", "a content in per cent of the dry matter, from that as received and the moisture", metrology.AshDrySource,
		func(a arguments) (*big.Rat, error) { return plain(metrology.OnDryBasis(a.n(0), a.n(1))) }},
}

func thousandSeeds(a arguments) (*big.Rat, error) {
	seeds, err := wholeNumber("the seeds of a replicate", a.values[1])
	if err != nil {
		return nil, err
	}
	c, err := metrology.SeedsCounted(a.list(0), seeds, a.truth(2))
	switch {
	case err != nil:
		return nil, err
	case c.More:
		return nil, fmt.Errorf("the replicates scatter by %s %%, and %s %% are allowed: eight more are needed", metrology.TwoDigits(c.CV), metrology.Exact(c.Limit))
	}
	return c.Thousand, nil
}

var ofSolutions = []called{
	{"mass_concentration", "g % % mL", "g/L", "mass in a volume of solution: mass, purity, water, volume", metrology.QUAM,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.MassConcentration(a.n(0), a.n(1), a.n(2), a.n(3)))
		}},
	{"mass_for_concentration", "g/L mL % %", "g", "what has to be weighed: concentration, volume, purity, water", metrology.QUAM,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.MassForConcentration(a.n(0), a.n(1), a.n(2), a.n(3)))
		}},
	{"amount_concentration", "g % % g/mol mL", "mol/L", "amount in a volume of solution: mass, purity, water, molar mass, volume", metrology.QUAMAmount,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.AmountConcentration(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4)))
		}},
	{"mass_for_amount", "mol/L mL g/mol % %", "g", "what has to be weighed: concentration, volume, molar mass, purity, water", metrology.QUAMAmount,
		func(a arguments) (*big.Rat, error) {
			return plain(metrology.MassForAmount(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4)))
		}},
}

var ofFilters = []called{
	{"filter_mass", "g kg/m3 kg/m3 kg/m3", "g", "mass of a filter corrected for the air: reading, and the densities of air, weights and filter", metrology.CFR1065,
		func(a arguments) (*big.Rat, error) { return metrology.FilterMass(a.n(0), a.n(1), a.n(2), a.n(3)) }},
	{"filter_gain", "g kg/m3 g kg/m3 kg/m3 kg/m3", "g", "what a filter gained: before and its air, after and its air, and the densities of weights and filter", metrology.CFR1065,
		func(a arguments) (*big.Rat, error) {
			return metrology.FilterGain(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4), a.n(5))
		}},
}

var ofDoses = []called{
	{"content_by_mass", "g g %", "%", "content of a unit by its mass: mass, average, content found by assay", metrology.USP905,
		func(a arguments) (*big.Rat, error) { return metrology.ContentByMass(a.n(0), a.n(1), a.n(2)) }},
	{"acceptance_value", "list:% %", "%", "acceptance value of the contents of 10 or 30 units, with the target content", metrology.USP905,
		func(a arguments) (*big.Rat, error) {
			v, err := metrology.AcceptanceValue(a.list(0), a.n(1))
			return v.Value, err
		}},
}

var ofPieces = []called{
	{"double_substitution", "g g g g g", "g", "what an unknown is above a standard: standard, unknown, unknown with small weight, standard with it, small weight", metrology.SOP4,
		func(a arguments) (*big.Rat, error) {
			return metrology.DoubleSubstitution(a.n(0), a.n(1), a.n(2), a.n(3), a.n(4))
		}},
	{"count_pieces", "g g 1", "{pieces}", "pieces by mass: net mass, mass of a piece, how far from a whole number it may be", metrology.CountByMass,
		func(a arguments) (*big.Rat, error) {
			c, err := metrology.Pieces(a.n(0), a.n(1), a.n(2))
			return c.Pieces, err
		}},
	{"minimum_sample", "% % 1", "{pieces}", "how many pieces to count by hand: coefficient of variation, relative error, coverage factor", metrology.SampleSize,
		func(a arguments) (*big.Rat, error) { return metrology.MinimumSample(a.n(0), a.n(1), a.n(2)) }},
	{"count_sd", "1 1 %", "{pieces}", "standard deviation of a count: pieces, sample counted by hand, coefficient of variation of single pieces", metrology.CountError,
		func(a arguments) (*big.Rat, error) { return metrology.CountSD(a.n(0), a.n(1), a.n(2)) }},
}
