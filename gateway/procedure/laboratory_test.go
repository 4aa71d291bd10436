package procedure

import (
	"context"
	"testing"

	"weighpost/gateway/formula"
)

// TestFunctionsInTheirUnits: each function gives, in the units that it is declared with, what its source prints or what a pencil gives. The
// arithmetic itself is held against its sources in gateway/metrology; a wrong unit here would be wrong by a power of ten.
func TestFunctionsInTheirUnits(t *testing.T) {
	two := 2
	lists := map[string]formula.Value{}
	names := map[string]formula.Type{"seeds": formula.ListIn(mustUnit("mg"))}
	var seeds []formula.Quantity
	for _, s := range []string{"10.0 mg", "10.1 mg", "9.9 mg", "10.0 mg", "10.0 mg", "10.1 mg", "9.9 mg", "10.0 mg"} {
		q, err := formula.ParseQuantity(s)
		if err != nil {
			t.Fatal(err)
		}
		seeds = append(seeds, q)
	}
	lists["seeds"] = formula.OfList(seeds)
	for _, c := range []struct{ formula, unit, want, source string }{
		{`mass_concentration("100.28 mg", "99.99 %", "0 %", "100 mL")`, "mg/L", "1002.70", "EURACHEM/CITAC CG 4, A1: 1002.7 mg/L"},
		{`amount_concentration("0.3888 g", "100 %", "0 %", "204.2212 g/mol", "18.64 mL")`, "mmol/L", "102.14", "EURACHEM/CITAC CG 4, A2: 0.10214 mol/L"},
		{`mass_for_amount("0.1 mol/L", "1 L", "58.44 g/mol", "100 %", "0 %")`, "mg", "5844.00", "by pencil"},
		{`mass_for_concentration("1 g/L", "100 mL", "50 %", "0 %")`, "mg", "200.00", "by pencil"},
		{`water_on_dry_basis("10 g", "0.03 kg", "26 g")`, "%", "25.00", "by pencil"},
		{`wet_to_dry("20 %")`, "%", "25.00", "by pencil"},
		{`dry_to_wet("25 %")`, "%", "20.00", "by pencil"},
		{`mass_at_moisture("100 g", "20 %", "0 %")`, "g", "80.00", "by pencil"},
		{`on_dry_basis("8 %", "20 %")`, "%", "10.00", "by pencil"},
		{`predried_moisture("10 %", "10 %")`, "%", "19.00", "by pencil"},
		{`solid_density("10 g", "9 g", "1 g/mL", "0 kg/m3")`, "kg/m3", "10000.00", "by pencil"},
		{`liquid_density_by_volume("20 g", "10 g", "10 mL", "0 kg/m3")`, "g/mL", "1.00", "by pencil"},
		{`pycnometer_volume("20 g", "69.91 g", "998.2 kg/m3", "0 kg/m3", "0 kg/m3")`, "mL", "50.00", "by pencil: 49.91 g of water of 0.9982 g/mL"},
		{`pycnometer_solid("20 g", "30 g", "75 g", "70 g", "1 g/mL", "0 kg/m3")`, "g/mL", "2.00", "by pencil: 10 g take the place of 5 g of water"},
		{`soil_gravity("10 g", "100 g", "106 g")`, "1", "2.50", "by pencil"},
		{`to_20("30 Cel", "0.001 1/K")`, "1", "0.99", "by pencil"},
		{`z_of("1000 kg/m3", "0 kg/m3", "8000 kg/m3")`, "mL/g", "1.00", "by pencil"},
		{`air_density_cipm("20 Cel", "1013.25 hPa", "50 %")`, "kg/m3", "1.20", "about 1.2 kg/m3, OIML D 28"},
		{`content_by_mass("101 mg", "100 mg", "98 %")`, "%", "98.98", "by pencil"},
		{`double_substitution("0 g", "1 mg", "2 mg", "1 mg", "1 mg")`, "mg", "1.00", "by pencil"},
		{`count_pieces("10.02 g", "0.1 g", 0.3)`, "{pieces}", "100.00", "by pencil"},
		{`minimum_sample("5 %", "1 %", 1.96)`, "{pieces}", "97.00", "by pencil: (1.96 · 5)² = 96.04"},
		{`filter_mass("100 mg", "0 kg/m3", "8000 kg/m3", "2000 kg/m3")`, "mg", "100.00", "by pencil: no air, no lift"},
		{`thousand_seeds(seeds, 100, 1 > 2)`, "mg", "100.00", "by pencil: ten times the mean of 10 mg for a hundred"},
	} {
		f, err := formula.Compile(c.formula, formula.Options{Names: names, Functions: Functions(), Unit: c.unit, Rounding: formula.Rounding{Decimals: &two}})
		if err != nil {
			t.Errorf("%s: %v", c.formula, err)
			continue
		}
		out, err := f.Eval(context.Background(), lists)
		if err != nil || out.Trace.Rounded != c.want {
			t.Errorf("%s is %s %s (%v); %s has %s", c.formula, out.Trace.Rounded, c.unit, err, c.source, c.want)
		}
	}
	for _, f := range Functions() {
		if f.Says == "" || f.Source.Name == "" {
			t.Errorf("%s does not say what it is, or where it comes from", f.Name)
		}
	}
}
