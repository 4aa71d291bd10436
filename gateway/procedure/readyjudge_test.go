package procedure

import (
	"math/big"
	"testing"

	"weighpost/gateway/metrology"
)

// found gives what a step of a played script found, before rounding, in a unit.
func (p *player) found(step string, pass int, code string) *big.Rat {
	p.t.Helper()
	i, known := p.def.plan.byID[step]
	if !known || p.run.state.values[at{i, pass}] == nil {
		p.t.Fatalf("%s: %s has no value in pass %d", p.name, step, pass)
	}
	return in(p.run.state.values[at{i, pass}].v, mustUnit(code))
}

// all gives what a step of a block found in every pass, in grams.
func (p *player) all(step string) (x []*big.Rat) {
	i := p.def.plan.byID[step]
	for pass := 1; p.run.state.values[at{i, pass}] != nil; pass++ {
		x = append(x, p.found(step, pass, "g"))
	}
	return x
}

// What the formulas of ready procedures find is, to the last digit, what the arithmetic of gateway/metrology finds, which was written apart from
// them and is held against tables and bodies of known density there.
func TestReadyFormulasHaveASecondJudge(t *testing.T) {
	none := new(big.Rat)
	for _, c := range []struct {
		script, step string
		pass         int
		unit         string
		judge        func(p *player) (*big.Rat, error)
	}{
		{"loss-on-drying-soil", "loss", 2, "%", func(p *player) (*big.Rat, error) {
			return plain(metrology.LossOnDrying(none, p.found("moist", 2, "g"), p.found("dry", 2, "g")))
		}},
		{"loss-on-drying-soil", "dry_basis", 3, "%", func(p *player) (*big.Rat, error) {
			return plain(metrology.WaterOnDryBasis(none, p.found("moist", 3, "g"), p.found("dry", 3, "g")))
		}},
		{"residue-on-ignition", "residue", 1, "%", func(p *player) (*big.Rat, error) {
			return plain(metrology.ResidueOnIgnition(none, p.found("taken", 1, "g"), p.found("twice", 1, "g")))
		}},
		{"residue-on-ignition", "dry_basis", 1, "%", func(p *player) (*big.Rat, error) {
			return plain(metrology.OnDryBasis(p.found("residue", 1, "%"), rat("11.5")))
		}},
		{"thousand-seed-mass-scattered", "thousand", 0, "g", func(p *player) (*big.Rat, error) {
			c, err := metrology.SeedsCounted(p.all("replicate"), 100, false)
			return c.Thousand, err
		}},
		{"thousand-seed-mass-sixteen", "variation", 0, "%", func(p *player) (*big.Rat, error) {
			c, err := metrology.SeedsCounted(p.all("replicate"), 100, false)
			return c.CV, err
		}},
		{"density-hydrostatic-air", "density", 0, "kg/m3", func(p *player) (*big.Rat, error) {
			return plain(metrology.SolidDensity(p.found("in_air", 0, "g"), p.found("in_liquid", 0, "g"), p.found("reference", 0, "kg/m3"), p.found("air", 0, "kg/m3")))
		}},
		{"density-hydrostatic-sinker", "density", 0, "kg/m3", func(p *player) (*big.Rat, error) {
			return plain(metrology.LiquidDensity(p.found("in_air", 0, "g"), p.found("in_liquid", 0, "g"), rat("2230"), p.found("air", 0, "kg/m3")))
		}},
		{"solution-by-mass", "reached", 0, "g/L", func(p *player) (*big.Rat, error) {
			return plain(metrology.MassConcentration(p.found("taken", 0, "g"), rat("99.99"), none, rat("100")))
		}},
		{"solution-by-mass", "wanted", 0, "g", func(p *player) (*big.Rat, error) {
			return plain(metrology.MassForConcentration(rat("1"), rat("100"), rat("99.99"), none))
		}},
		{"solution-molar", "reached", 0, "mol/L", func(p *player) (*big.Rat, error) {
			return plain(metrology.AmountConcentration(p.found("taken", 0, "g"), rat("100"), none, rat("204.2212"), rat("18.64")))
		}},
		{"density-by-pycnometer-air", "volume", 0, "mL", func(p *player) (*big.Rat, error) {
			return metrology.PycnometerVolume(none, p.found("with_water", 0, "g"), p.found("water", 0, "kg/m3"), p.found("air", 0, "kg/m3"), rat("8000"))
		}},
		{"density-by-pycnometer-air", "density", 0, "kg/m3", func(p *player) (*big.Rat, error) {
			return metrology.PycnometerLiquid(none, p.found("with_liquid", 0, "g"), p.found("volume", 0, "mL"), p.found("air", 0, "kg/m3"), rat("8000"))
		}},
		{"density-of-solid-by-pycnometer-air", "density", 0, "kg/m3", func(p *player) (*big.Rat, error) {
			return metrology.PycnometerSolid(none, p.found("solid", 0, "g"), p.found("both", 0, "g"), p.found("full", 0, "g"), p.found("liquid", 0, "kg/m3"), p.found("air", 0, "kg/m3"))
		}},
		{"dust-on-filters-blanks", "concentration", 1, "mg/m3", func(p *player) (*big.Rat, error) {
			return metrology.DustConcentration(p.found("clean_mass", 1, "g"), p.found("loaded_mass", 1, "g"), p.found("clean_mass", 2, "g"), p.found("loaded_mass", 2, "g"), rat("1.056"))
		}},
		{"dust-on-filters-buoyancy", "gain", 1, "g", func(p *player) (*big.Rat, error) {
			return metrology.FilterGain(p.found("clean_mass", 1, "g"), p.found("air_1", 0, "kg/m3"), p.found("loaded_mass", 1, "g"), p.found("air_2", 0, "kg/m3"), rat("8000"), rat("920"))
		}},
		{"prepackage-net-content-butter", "corrected_average", 0, "g", func(p *player) (*big.Rat, error) {
			plan, err := metrology.PackagePlanFor(metrology.PlanR87, 3500)
			if err != nil {
				return nil, err
			}
			found, err := metrology.CheckPackages(plan, rat("500"), p.all("net"))
			if err == nil && (found.T1 != 2 || found.T2 != 0 || !found.Passes) {
				t.Errorf("%s: %+v", p.name, found)
			}
			return found.Weighted, err
		}},
		{"grammage", "mean_grammage", 0, "g/m2", func(p *player) (*big.Rat, error) {
			mean, _, err := metrology.MeanGrammage(p.all("mass"), rat("0.0144"))
			return mean, err
		}},
		{"recovery-bracketed-losses", "mass_after", 0, "mg", func(p *player) (*big.Rat, error) {
			d := metrology.CycleABBA(p.found("reference_3", 0, "mg"), p.found("sample_3", 0, "mg"), p.found("sample_4", 0, "mg"), p.found("reference_4", 0, "mg"))
			return d.Add(d, rat("50")), nil
		}},
		{"recovery-bracketed-losses", "recovery", 0, "%", func(p *player) (*big.Rat, error) {
			return metrology.Recovery(p.found("mass_first", 0, "mg"), p.found("mass_after", 0, "mg"))
		}},
		{"counting-by-mass", "spread", 0, "1", func(p *player) (*big.Rat, error) {
			return metrology.CountSD(p.found("pieces", 0, "1"), rat("50"), rat("3.60"))
		}},
		{"counting-by-mass", "off", 0, "1", func(p *player) (*big.Rat, error) {
			c, err := metrology.Pieces(p.found("net", 0, "g"), p.found("piece_mass", 0, "g"), rat("0.25"))
			return new(big.Rat).Abs(c.Off), err
		}},
	} {
		p := play(t, "testdata/ready/"+c.script+".txt")
		want, err := c.judge(p)
		if err != nil {
			t.Errorf("%s, %s: %v", c.script, c.step, err)
			continue
		}
		got := p.found(c.step, c.pass, c.unit)
		// roots are cut off after metrology.Digits digits, of the mean's square here and of the masses there
		if d := new(big.Rat).Sub(got, want); d.Abs(d).Cmp(new(big.Rat).Quo(new(big.Rat).Abs(got), rat("1e30"))) > 0 {
			t.Errorf("%s: %s is %s, and by gateway/metrology %s", c.script, c.step, metrology.Exact(got), metrology.Exact(want))
		}
	}
}

// A function that shares its name with another would take its place without a word.
func TestEveryFunctionHasItsOwnName(t *testing.T) {
	n := len(airAndWater) + len(volumes) + len(doses) + len(packages) + len(counts) + len(laboratory)
	if len(functionNamed) != n {
		t.Errorf("%d functions have %d names", n, len(functionNamed))
	}
}
