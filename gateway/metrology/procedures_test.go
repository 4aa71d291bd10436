package metrology_test

import (
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/metrology"
)

// example is one worked example of procedure_examples.json, with where it stands.
type example struct {
	Name, Source                string
	Procedure                   int
	FromMemory                  bool `json:"from_memory"`
	Inputs, Printed, Recomputed map[string]any
	OtherProgram                map[string]any `json:"other_program"`
}

func examples(t testing.TB, procedure int) (found []example) {
	t.Helper()
	var file struct{ Examples []example }
	read(t, "procedure_examples.json", &file)
	for _, e := range file.Examples {
		if e.Source == "" || len(e.Inputs) == 0 || len(e.Printed)+len(e.Recomputed) == 0 {
			t.Errorf("%s has no source, no inputs or no result", e.Name)
		}
		if e.Procedure == procedure {
			found = append(found, e)
		}
	}
	if len(found) == 0 {
		t.Fatalf("there is no example of procedure %d", procedure)
	}
	return found
}

func text(m map[string]any, key string) string { s, _ := m[key].(string); return s }

func texts(m map[string]any, key string) (out []string) {
	list, _ := m[key].([]any)
	for _, v := range list {
		s, _ := v.(string)
		out = append(out, s)
	}
	return out
}

func (e example) in(t testing.TB, key string) *big.Rat { t.Helper(); return r(t, text(e.Inputs, key)) }

func (e example) list(t testing.TB, key string) (x []*big.Rat) {
	t.Helper()
	for _, s := range texts(e.Inputs, key) {
		x = append(x, r(t, s))
	}
	return x
}

// TestNetMasses works through the differences of masses: net by tare, and seeds by difference.
func TestNetMasses(t *testing.T) {
	for _, e := range examples(t, 1) {
		net, err := metrology.Net(e.in(t, "gross_g"), e.in(t, "tare_g"))
		if err != nil || net.Cmp(r(t, text(e.Printed, "net_g"))) != 0 {
			t.Errorf("%s: %v %v", e.Name, net, err)
		}
	}
	for _, e := range examples(t, 2) {
		full, printed := e.list(t, "full_g"), texts(e.Printed, "seeds_g")
		for i, tin := range e.list(t, "tin_g") {
			seeds, err := metrology.Taken(full[i], tin)
			if err != nil || seeds.Cmp(r(t, printed[i])) != 0 {
				t.Errorf("%s, tin %d: %v %v, and %s stands there", e.Name, i+1, seeds, err, printed[i])
			}
		}
	}
	if net, err := metrology.Net(r(t, "1"), r(t, "1.1")); err == nil {
		t.Errorf("net %s", net)
	}
	if taken, err := metrology.Taken(r(t, "1"), r(t, "1.1")); err == nil {
		t.Errorf("taken %s", taken)
	}
}

// TestDrying works through the examples of procedure 3 to their printed digits.
func TestDrying(t *testing.T) {
	for _, e := range examples(t, 3) {
		if to := text(e.Inputs, "to_percent"); to != "" {
			m, _, err := metrology.MassAtMoisture(e.in(t, "mass_kg"), e.in(t, "from_percent"), r(t, to))
			if err != nil {
				t.Fatal(err)
			}
			near(t, e.Name, m, text(e.Printed, "mass_kg"), "0.5")
			continue
		}
		container, before, after := e.list(t, "container_g"), e.list(t, "before_g"), e.list(t, "after_g")
		var all []*big.Rat
		for i := range container {
			dry, _, err1 := metrology.WaterOnDryBasis(container[i], before[i], after[i])
			wet, _, err2 := metrology.LossOnDrying(container[i], before[i], after[i])
			seed, source, err3 := metrology.SeedMoisture(container[i], before[i], after[i])
			if err1 != nil || err2 != nil || err3 != nil || seed.Cmp(wet) != 0 || !source.FromMemory {
				t.Fatal(err1, err2, err3, source)
			}
			all = append(all, dry)
			near(t, e.Name+": dry basis", dry, texts(e.Printed, "dry_basis_percent")[i], "0.5")
			if w := texts(e.Printed, "wet_basis_percent"); w != nil {
				near(t, e.Name+": wet basis", wet, w[i], "0.5")
			}
			there, _, err1 := metrology.WetToDry(wet)
			back, _, err2 := metrology.DryToWet(dry)
			if err1 != nil || err2 != nil || there.Cmp(dry) != 0 || back.Cmp(wet) != 0 {
				t.Errorf("%s: from one basis to the other: %v %v %v %v", e.Name, there, back, err1, err2)
			}
		}
		if mean := text(e.Printed, "mean_percent"); mean != "" {
			m, err := metrology.Mean(all)
			if err != nil {
				t.Fatal(err)
			}
			near(t, e.Name+": mean", m, mean, "0.5")
		}
	}
}

// TestAsh works through the examples of procedure 4 to their printed digits.
func TestAsh(t *testing.T) {
	for _, e := range examples(t, 4) {
		ash, _, err := metrology.ResidueOnIgnition(e.in(t, "crucible_g"), e.in(t, "before_g"), e.in(t, "after_g"))
		if err != nil {
			t.Fatal(err)
		}
		near(t, e.Name, ash, text(e.Printed, "ash_percent"), "0.5")
		dry, _, err := metrology.OnDryBasis(ash, e.in(t, "moisture_percent"))
		if err != nil {
			t.Fatal(err)
		}
		near(t, e.Name+": dry basis", dry, text(e.Printed, "dry_basis_percent"), "0.5")
	}
}

// TestConstantMass holds both criteria just at their ends.
func TestConstantMass(t *testing.T) {
	for last, want := range map[string]bool{"10.0005": true, "9.9995": true, "10.00050001": false, "9.9994999": false} {
		got, source := metrology.ConstantMass(r(t, "10"), r(t, last))
		if got != want || source.Name == "" {
			t.Errorf("10 g and %s g: %v", last, got)
		}
		got, _, err := metrology.ConstantMassPerGram(r(t, "10"), r(t, last), r(t, "1"))
		if err != nil || got != want {
			t.Errorf("10 g and %s g, 1 g taken: %v %v", last, got, err)
		}
	}
	if got, _, err := metrology.ConstantMassPerGram(r(t, "10"), r(t, "10.001"), r(t, "2")); err != nil || !got {
		t.Errorf("1 mg, 2 g taken: %v %v", got, err)
	}
}

// TestSeedsCounted works through the examples of procedure 5, whose results agree with what is printed, and where nothing could be read with
// the variance by the other formula, n·Σx² − (Σx)² over n·(n − 1).
func TestSeedsCounted(t *testing.T) {
	for _, e := range examples(t, 5) {
		x := e.list(t, "replicates_g")
		c, err := metrology.SeedsCounted(x, 100, false)
		if err != nil || !c.Within || c.More || len(c.Discarded) != 0 || !c.Source.FromMemory {
			t.Fatalf("%s: %v %+v", e.Name, err, c)
		}
		n, squares := big.NewRat(int64(len(x)), 1), new(big.Rat)
		for _, v := range x {
			squares.Add(squares, new(big.Rat).Mul(v, v))
		}
		sum := metrology.Sum(x)
		other := squares.Sub(squares.Mul(squares, n), sum.Mul(sum, sum))
		if other.Quo(other, new(big.Rat).Mul(n, big.NewRat(int64(len(x)-1), 1))); other.Cmp(c.Variance) != 0 {
			t.Errorf("%s: variance %s, and %s by the other formula", e.Name, c.Variance.FloatString(12), other.FloatString(12))
		}
		got := map[string]*big.Rat{"mean_g": c.Mean, "variance_g2": c.Variance, "sd_g": c.SD, "cv_percent": c.CV, "thousand_g": c.Thousand}
		for _, results := range []map[string]any{e.Printed, e.Recomputed} {
			for key := range results {
				near(t, e.Name+": "+key, got[key], text(results, key), "0.5")
			}
		}
	}
}

// TestSeedsThatScatter has the further eight asked for at a coefficient above the limit and not at it, and discards of sixteen what is further
// than twice their standard deviation from their mean. Eight of 1 ± d have a coefficient of 100·d·√(8/7) %.
func TestSeedsThatScatter(t *testing.T) {
	eight := func(d string) (x []*big.Rat) {
		for i := range 8 {
			v := r(t, d)
			if i%2 == 1 {
				v.Neg(v)
			}
			x = append(x, v.Add(v, r(t, "1")))
		}
		return x
	}
	for _, c := range []struct {
		d            string
		chaffy, more bool
	}{{"0.0374", false, false}, {"0.0375", false, true}, {"0.0375", true, false}, {"0.0561", true, false}, {"0.0562", true, true}} {
		got, err := metrology.SeedsCounted(eight(c.d), 100, c.chaffy)
		if err != nil || got.More != c.more || got.Within == c.more || (got.Thousand == nil) != c.more {
			t.Errorf("± %s, chaffy %v: %v %+v", c.d, c.chaffy, err, got)
		}
	}
	x := eight("0.04")
	x = append(x, eight("0.01")...)
	x[3] = r(t, "0.80") // two standard deviations of all sixteen are 0.114 g
	c, err := metrology.SeedsCounted(x, 100, false)
	if err != nil || c.More || c.N != 16 || !slices.Equal(c.Discarded, []int{3}) {
		t.Fatalf("%v %+v", err, c)
	}
	// The fifteen that are left: 16 less 0.96 and 0.80 stands in for it, so 15 + 0.04 over 15.
	if want := r(t, "1504/150"); c.Thousand.Cmp(want) != 0 {
		t.Errorf("a thousand seeds weigh %s g, not %s", c.Thousand.FloatString(6), want.FloatString(6))
	}
	for _, n := range []int{0, 1, 7, 9, 15, 17} {
		if c, err := metrology.SeedsCounted(x[:min(n, 16)], 100, false); n != 17 && err == nil {
			t.Errorf("%d replicates: %+v", n, c)
		}
	}
	if c, err := metrology.SeedsCounted(append(x[:15:15], new(big.Rat)), 100, false); err == nil {
		t.Errorf("a replicate of nothing: %+v", c)
	}
	if c, err := metrology.SeedsCounted(x[:8], 0, false); err == nil {
		t.Errorf("no seeds: %+v", c)
	}
}

// TestSeedDecimals holds the four significant digits of the examples of AOSA's appendix 4 (10.25, 1.025, 0.1025 g), and the ends.
func TestSeedDecimals(t *testing.T) {
	for grams, want := range map[string]int{"0.1025": 4, "0.9999": 4, "1.025": 3, "9.999": 3, "10.25": 2, "99.99": 2, "100": 1, "999.9": 1, "1000": 0, "25000": 0} {
		if n, source := metrology.SeedDecimals(r(t, grams)); n != want || !source.FromMemory {
			t.Errorf("%s g: %d decimals, not %d", grams, n, want)
		}
	}
}

// TestMoistureOfSeeds holds tolerances at their ends (from memory), and the moisture of seeds that were dried twice: of 100 g, 20 % and then 10
// % of what was left went, together 28 g.
func TestMoistureOfSeeds(t *testing.T) {
	for _, c := range []struct {
		kind            metrology.SeedKind
		first, second   string
		within          bool
		mean, tolerance string
	}{
		{metrology.CropSeeds, "10.0", "10.2", true, "10.1", "0.2"}, {metrology.CropSeeds, "10.0", "10.201", false, "10.1005", "0.2"},
		{metrology.CropSeeds, "30.2", "30.0", true, "30.1", "0.2"},
		{metrology.SmallTreeSeeds, "11.7", "12.0", true, "11.85", "0.3"}, {metrology.SmallTreeSeeds, "12.0", "12.5", true, "12.25", "0.5"},
		{metrology.LargeTreeSeeds, "11.0", "11.5", false, "11.25", "0.4"}, {metrology.LargeTreeSeeds, "24.6", "25.4", true, "25", "0.8"},
		{metrology.LargeTreeSeeds, "40.0", "42.5", true, "41.25", "2.5"}, {metrology.LargeTreeSeeds, "40.0", "42.6", false, "41.3", "2.5"},
	} {
		p, err := metrology.SeedMoisturePair(c.kind, r(t, c.first), r(t, c.second))
		if err != nil || p.Within != c.within || p.Mean.Cmp(r(t, c.mean)) != 0 || p.Tolerance.Cmp(r(t, c.tolerance)) != 0 || !p.Source.FromMemory {
			t.Errorf("%s, %s and %s %%: %v %+v", c.kind, c.first, c.second, err, p)
		}
	}
	both, _, err := metrology.PredriedMoisture(r(t, "20"), r(t, "10"))
	if err != nil || both.Cmp(r(t, "28")) != 0 {
		t.Errorf("dried twice: %v %v", both, err)
	}
	if p, err := metrology.SeedMoisturePair("moss", r(t, "10"), r(t, "10")); err == nil {
		t.Errorf("%+v", p)
	}
}

// TestDensityByHydrostaticWeighing works through the examples of procedure 7, which leave the air out.
func TestDensityByHydrostaticWeighing(t *testing.T) {
	none := new(big.Rat)
	for _, e := range examples(t, 7) {
		if liquid := text(e.Inputs, "liquid_kg_m3"); liquid != "" {
			d, _, err := metrology.SolidDensity(e.in(t, "in_air"), e.in(t, "in_liquid"), r(t, liquid), none)
			if err != nil {
				t.Fatal(err)
			}
			near(t, e.Name, d, text(e.Printed, "solid_kg_m3"), "0.5")
			continue
		}
		d, _, err := metrology.LiquidDensity(e.in(t, "in_air"), e.in(t, "in_liquid"), e.in(t, "sinker_kg_m3"), none)
		if err != nil {
			t.Fatal(err)
		}
		near(t, e.Name, d, text(e.Printed, "liquid_kg_m3"), "1") // cut off there
	}
}

// TestAirInHydrostaticWeighing weighs bodies of a known mass and density in air and in a liquid, by the balance of forces and a balance
// adjusted with weights of 8000 kg/m³, and gets back what they are, exactly. The equations of a course of physical chemistry
// (web.mst.edu/~gbert/balance/ABal.html: V = (W_A − W_L)/(D_L − D_A), D = W_A/V + D_A, D_L = D_A + (W_A − W_L)/V) are the second judge.
func TestAirInHydrostaticWeighing(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 1))
	between := func(low, high int64) *big.Rat { return big.NewRat(low+random.Int64N(high-low), 1000) }
	for range 200 {
		mass, solid, liquid, air := between(1000, 200_000), between(100_000, 20_000_000), between(600_000, 1_500_000), between(900, 1300)
		shows := func(medium *big.Rat) *big.Rat { // m·(1 − ρ/ρ_body) = R·(1 − ρa/8000)
			up := new(big.Rat).Sub(r(t, "1"), new(big.Rat).Quo(medium, solid))
			return up.Quo(up.Mul(up, mass), new(big.Rat).Sub(r(t, "1"), new(big.Rat).Quo(air, r(t, "8000"))))
		}
		inAir, inLiquid := shows(air), shows(liquid)
		d, _, err1 := metrology.SolidDensity(inAir, inLiquid, liquid, air)
		v, _, err2 := metrology.SolidVolume(inAir, inLiquid, liquid, air)
		l, _, err3 := metrology.LiquidDensity(inAir, inLiquid, solid, air)
		if err1 != nil || err2 != nil || err3 != nil {
			t.Fatal(seed, err1, err2, err3)
		}
		volume := new(big.Rat).Quo(new(big.Rat).Mul(mass, r(t, "1000")), solid)
		byVolume, _, err := metrology.LiquidDensityByVolume(inAir, inLiquid, volume, air)
		if err != nil || d.Cmp(solid) != 0 || v.Cmp(volume) != 0 || l.Cmp(liquid) != 0 || byVolume.Cmp(liquid) != 0 {
			t.Fatalf("seed %d: %v: solid %s of %s, volume %s of %s, liquid %s and %s of %s", seed, err, d, solid, v, volume, l, byVolume, liquid)
		}
		// The second judge takes what the balance shows as the weight in air, so that its volume is without the lift of the weights.
		vApparent := new(big.Rat).Quo(new(big.Rat).Sub(inAir, inLiquid), new(big.Rat).Sub(liquid, air))
		other := new(big.Rat).Quo(inAir, vApparent)
		if other.Add(other, air).Cmp(d) != 0 {
			t.Fatalf("seed %d: %s by the other equations, and %s", seed, other, d)
		}
		sinker := between(1000, 100_000)
		with, _, err := metrology.SolidDensityWithSinker(inAir, sinker, new(big.Rat).Add(sinker, inLiquid), liquid, air)
		if err != nil || with.Cmp(solid) != 0 {
			t.Fatalf("seed %d: with a sinker: %v %v", seed, with, err)
		}
	}
}

// TestWaterByASinker puts procedures 6 and 7 together: a glass sinker of 10 cm³ and 2500 kg/m³ in water of 20 °C gives the recommended density
// back.
func TestWaterByASinker(t *testing.T) {
	water, _, err := metrology.WaterDensity(r(t, "20"))
	if err != nil {
		t.Fatal(err)
	}
	// In air of 1.2 kg/m³ it shows 25·(1 − 1.2/2500)/(1 − 1.2/8000) g; in water 10 cm³ of water less air less, over the same.
	lift := r(t, "0.99985")
	inAir := new(big.Rat).Quo(r(t, "24.988"), lift)
	less := new(big.Rat).Sub(water, r(t, "1.2"))
	less.Quo(less.Mul(less, r(t, "0.01")), lift)
	d, _, err := metrology.LiquidDensity(inAir, new(big.Rat).Sub(inAir, less), r(t, "2500"), r(t, "1.2"))
	if err != nil || metrology.Text(d, 4, metrology.HalfEven) != "998.2067" {
		t.Errorf("%v: %s kg/m³", err, d.FloatString(6))
	}
}

// TestSolutions works through examples A1 and A2 of the guide: to the printed digits, and unrounded to those of another program.
func TestSolutions(t *testing.T) {
	none, two := new(big.Rat), r(t, "2")
	for _, e := range examples(t, 8) {
		mass, purity, volume := e.in(t, "mass_g"), e.in(t, "purity_percent"), e.in(t, "volume_ml")
		if molar := text(e.Inputs, "molar_g_per_mol"); molar != "" {
			c, _, err := metrology.AmountConcentration(mass, purity, none, r(t, molar), volume)
			if err != nil {
				t.Fatal(err)
			}
			near(t, e.Name, c, text(e.Printed, "mol_per_l"), "0.5")
			near(t, e.Name, c, text(e.OtherProgram, "mol_per_l"), "1")
			back, _, err := metrology.MassForAmount(c, volume, r(t, molar), purity, none)
			if err != nil || back.Cmp(mass) != 0 {
				t.Errorf("%s: to weigh %v %v", e.Name, back, err)
			}
			hydroxide(t, e, c, two)
			continue
		}
		c, _, err := metrology.MassConcentration(mass, purity, none, volume)
		if err != nil {
			t.Fatal(err)
		}
		near(t, e.Name, c, text(e.Printed, "g_per_l"), "0.5")
		back, _, err := metrology.MassForConcentration(c, volume, purity, none)
		if err != nil || back.Cmp(mass) != 0 {
			t.Errorf("%s: to weigh %v %v", e.Name, back, err)
		}
		cadmium(t, e, c, two)
	}
}

// combined is the standard uncertainty of parts.
func combined(t testing.TB, parts ...metrology.Part) *big.Rat {
	t.Helper()
	b, err := metrology.Combine(parts, r(t, "2"))
	if err != nil {
		t.Fatal(err)
	}
	return b.Standard
}

// cadmium holds the uncertainty of example A1.
func cadmium(t *testing.T, e example, c, k *big.Rat) {
	volume := combined(t, metrology.Part{Name: "flask", HalfWidth: e.in(t, "flask_half_width_ml"), Spread: metrology.Triangular},
		metrology.Part{Name: "filling", HalfWidth: e.in(t, "filling_sd_ml"), Spread: metrology.Normal},
		metrology.Part{Name: "temperature", HalfWidth: e.in(t, "temperature_half_width_ml"), Spread: metrology.Rectangular})
	near(t, "volume", volume, text(e.Printed, "u_volume_ml"), "0.5")
	purity := combined(t, metrology.Part{Name: "purity", HalfWidth: e.in(t, "purity_half_width_percent"), Spread: metrology.Rectangular})
	near(t, "purity", new(big.Rat).Quo(purity, r(t, "100")), text(e.Printed, "u_purity"), "0.5")
	milligrams := new(big.Rat).Mul(c, r(t, "1000"))
	b, source, err := metrology.ProductUncertainty(milligrams, []metrology.Factor{{Name: "volume", Value: e.in(t, "volume_ml"), Standard: volume},
		{Name: "mass", Value: e.in(t, "mass_g"), Standard: e.in(t, "u_mass_g")}, {Name: "purity", Value: e.in(t, "purity_percent"), Standard: purity}}, k)
	if err != nil || !source.FromMemory {
		t.Fatal(err, source)
	}
	// The guide rounds the relative parts to 0.0007, 0.0005 and 0.00006 first, and prints 0.9 for what is 0.835 unrounded.
	near(t, "u(c)", b.Standard, text(e.OtherProgram, "u_mg_per_l"), "1")
	near(t, "u(c)", b.Standard, text(e.Printed, "u_mg_per_l"), "0.7")
	for i, key := range []string{"volume_part", "mass_part", "purity_part"} {
		near(t, key, b.Parts[i].Standard, text(e.OtherProgram, key), "1")
	}
	rounded, _, err := metrology.ProductUncertainty(milligrams, []metrology.Factor{{Name: "volume", Value: r(t, "1"), Standard: r(t, "0.0007")},
		{Name: "mass", Value: r(t, "1"), Standard: r(t, "0.0005")}, {Name: "purity", Value: r(t, "1"), Standard: r(t, "0.000058")}}, k)
	if err != nil || metrology.Text(rounded.Standard, 1, metrology.HalfEven) != text(e.Printed, "u_mg_per_l") {
		t.Errorf("u(c) from the rounded parts: %v %v", rounded.Standard, err)
	}
}

// hydroxide holds the uncertainty of example A2, with the mass as a net mass of two weighings on one balance.
func hydroxide(t *testing.T, e example, c, k *big.Rat) {
	interval := new(big.Rat).Mul(e.in(t, "linearity_half_width_g"), r(t, "2")) // so that half of it is the half-width
	weighing := metrology.InWeighing{AtLoad: interval}
	net, _, _, err := metrology.NetUncertainty(weighing, weighing, true)
	if err != nil {
		t.Fatal(err)
	}
	purity := combined(t, metrology.Part{Name: "purity", HalfWidth: e.in(t, "purity_half_width_percent"), Spread: metrology.Rectangular})
	volume := combined(t, metrology.Part{Name: "burette", HalfWidth: e.in(t, "burette_half_width_ml"), Spread: metrology.Triangular},
		metrology.Part{Name: "temperature", HalfWidth: e.in(t, "temperature_sd_ml"), Spread: metrology.Normal})
	b, _, err := metrology.ProductUncertainty(c, []metrology.Factor{{Name: "mass", Value: e.in(t, "mass_g"), Standard: net.Standard},
		{Name: "volume", Value: e.in(t, "volume_ml"), Standard: volume}, {Name: "purity", Value: e.in(t, "purity_percent"), Standard: purity},
		{Name: "molar mass", Value: e.in(t, "molar_g_per_mol"), Standard: e.in(t, "u_molar_g_per_mol")},
		{Name: "repeatability", Value: r(t, "1"), Standard: e.in(t, "repeatability")}}, k)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mass", b.Parts[0].Standard, text(e.OtherProgram, "mass_part"), "1")
	near(t, "volume", b.Parts[1].Standard, text(e.OtherProgram, "volume_part"), "1")
	near(t, "u(c)", b.Standard, text(e.Printed, "u_mol_per_l"), "0.5")
	// The other program takes the molar mass from its elements, 0.003765 g/mol instead of the rounded 0.0038: 3·10⁻¹⁰ mol/L here.
	near(t, "u(c)", b.Standard, text(e.OtherProgram, "u_mol_per_l"), "1000")
}

// TestMolarMassOfKHP works the molar mass of example A2 out of its element table: C8H5O4K, with uncertainty.
func TestMolarMassOfKHP(t *testing.T) {
	sum := new(big.Rat)
	var parts []metrology.Part
	for _, e := range [][3]string{{"8", "12.0107", "0.0008"}, {"5", "1.00794", "0.00007"}, {"4", "15.9994", "0.0003"}, {"1", "39.0983", "0.0001"}} {
		sum.Add(sum, new(big.Rat).Mul(r(t, e[0]), r(t, e[1])))
		parts = append(parts, metrology.Part{Name: e[1], HalfWidth: r(t, e[2]), Spread: metrology.Rectangular, Sensitivity: r(t, e[0])})
	}
	if sum.Cmp(r(t, "204.2212")) != 0 {
		t.Errorf("%s g/mol", sum.FloatString(5))
	}
	near(t, "u(M)", combined(t, parts...), "0.0037653021", "1")
}

// TestWaterInASubstance holds what a hydrate, or a moist substance, leaves of itself: 90 % of 50 %.
func TestWaterInASubstance(t *testing.T) {
	c, _, err := metrology.MassConcentration(r(t, "1"), r(t, "90"), r(t, "50"), r(t, "100"))
	if err != nil || c.Cmp(r(t, "4.5")) != 0 {
		t.Errorf("%v g/L %v", c, err)
	}
	m, _, err := metrology.MassForConcentration(r(t, "4.5"), r(t, "100"), r(t, "90"), r(t, "50"))
	if err != nil || m.Cmp(r(t, "1")) != 0 {
		t.Errorf("%v g %v", m, err)
	}
	v, err := metrology.Diluted(r(t, "10"), r(t, "1002.7"), r(t, "100.27"))
	if err != nil || v.Cmp(r(t, "100")) != 0 {
		t.Errorf("diluted to %v mL %v", v, err)
	}
}

// TestTogetherAndApart adds the parts of a net mass up by hand, in milligrams: a crucible of 30 g with 20 g in it.
func TestTogetherAndApart(t *testing.T) {
	weighing := func(load, buoyancy string) metrology.InWeighing {
		return metrology.InWeighing{Load: r(t, load), AtZero: r(t, "0.0001"), AtLoad: r(t, "0.0001"), SD: r(t, "0.0002"), Eccentricity: r(t, "0.0004"), EccentricLoad: r(t, "100"),
			Reference: r(t, "0.0003"), ReferenceK: r(t, "2"), ReferenceLoad: r(t, "100"), TemperaturePPM: r(t, "2"), Kelvin: r(t, "3"), Buoyancy: r(t, buoyancy)}
	}
	// Both: 4·(0.05²/3) + 2·0.2² + ((0.2·0.5)² + (0.2·0.3)²)/3. Once, for 20 g: (0.3/2·0.2)² + (20000·6·10⁻⁶)²/3 + 0.03²/3. Apart, for 50 and 30
	// g: (0.15·0.5)² + (0.15·0.3)² + ((0.3)² + (0.18)²)/3 + (0.03² + 0.01²)/3.
	each := "0.01/3+0.08+0.0136/3"
	for together, want := range map[bool]string{true: each + "+0.0009+0.0144/3+0.0009/3", false: each + "+0.005625+0.002025+0.1224/3+0.001/3"} {
		b, missing, source, err := metrology.NetUncertainty(weighing("50", "0.00003"), weighing("30", "0.00001"), together)
		if err != nil || len(missing) != 0 || source.Name == "" {
			t.Fatal(err, missing)
		}
		sum := new(big.Rat)
		for _, term := range strings.Split(want, "+") {
			top, bottom, found := strings.Cut(term, "/")
			if !found {
				bottom = "1"
			}
			sum.Add(sum, new(big.Rat).Quo(r(t, top), r(t, bottom)))
		}
		off := new(big.Rat).Mul(b.Standard, b.Standard)
		off.Sub(off.Mul(off, r(t, "1000000")), sum)
		if off.Abs(off).Cmp(r(t, "1e-30")) > 0 {
			t.Errorf("together %v: u² is off by %s mg²", together, off.FloatString(12))
		}
		if parts := map[bool]int{true: 11, false: 14}[together]; len(b.Parts) != parts {
			t.Errorf("together %v: %d parts", together, len(b.Parts))
		}
	}
	bare := metrology.InWeighing{SD: r(t, "0.0002"), Weighings: 10}
	b, missing, _, err := metrology.NetUncertainty(bare, bare, true)
	if err != nil || len(missing) != 9 || b.Freedom != 18 {
		t.Errorf("%v: %v, %d degrees of freedom", err, missing, b.Freedom)
	}
}

// TestNoResultOutOfNothing refuses in a sentence what cannot be.
func TestNoResultOutOfNothing(t *testing.T) {
	none, one, two, hundred := new(big.Rat), r(t, "1"), r(t, "2"), r(t, "100")
	var errs []error
	add := func(_ *big.Rat, _ metrology.Source, err error) { errs = append(errs, err) }
	add(metrology.LossOnDrying(two, two, two))
	add(metrology.LossOnDrying(two, r(t, "3"), one))
	add(metrology.LossOnDrying(r(t, "-1"), one, one))
	add(metrology.SeedMoisture(two, one, one))
	add(metrology.WaterOnDryBasis(one, two, one))
	add(metrology.WaterOnDryBasis(one, one, one))
	add(metrology.WetToDry(hundred))
	add(metrology.DryToWet(r(t, "-1")))
	add(metrology.MassAtMoisture(one, hundred, none))
	add(metrology.MassAtMoisture(one, none, hundred))
	add(metrology.ResidueOnIgnition(two, one, two))
	add(metrology.OnDryBasis(one, hundred))
	add(metrology.PredriedMoisture(one, hundred))
	add(metrology.SolidDensity(one, one, r(t, "1000"), none))
	add(metrology.SolidDensity(none, r(t, "-1"), r(t, "1000"), none))
	add(metrology.SolidDensity(two, one, one, r(t, "1.2")))
	add(metrology.SolidVolume(one, two, r(t, "1000"), none))
	add(metrology.LiquidDensity(one, two, r(t, "2500"), none))
	add(metrology.LiquidDensityByVolume(two, one, none, none))
	add(metrology.LiquidDensityByVolume(one, two, one, none))
	add(metrology.MassConcentration(none, hundred, none, one))
	add(metrology.MassConcentration(one, hundred, none, none))
	add(metrology.MassConcentration(one, r(t, "100.1"), none, one))
	add(metrology.MassConcentration(one, hundred, hundred, one))
	add(metrology.MassForConcentration(none, one, hundred, none))
	add(metrology.MassForConcentration(one, none, hundred, none))
	add(metrology.MassForConcentration(one, one, none, none))
	add(metrology.AmountConcentration(one, hundred, none, none, one))
	add(metrology.AmountConcentration(none, hundred, none, one, one))
	add(metrology.MassForAmount(one, one, none, hundred, none))
	_, err := metrology.Diluted(one, one, two)
	errs = append(errs, err)
	_, err = metrology.Diluted(none, one, one)
	errs = append(errs, err)
	_, _, err = metrology.ConstantMassPerGram(one, one, none)
	errs = append(errs, err)
	_, _, err = metrology.ProductUncertainty(one, []metrology.Factor{{Name: "mass", Value: none, Standard: one}}, two)
	errs = append(errs, err)
	_, _, err = metrology.ProductUncertainty(one, nil, two)
	errs = append(errs, err)
	for i, err := range errs {
		if err == nil || len(err.Error()) < 20 {
			t.Errorf("case %d: %v", i, err)
		}
	}
}
