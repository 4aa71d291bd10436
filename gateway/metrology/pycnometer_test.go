package metrology_test

import (
	"math/big"
	"math/rand/v2"
	"testing"

	"weighpost/gateway/metrology"
)

// TestPycnometerExamples holds published examples to the printed digits (testdata/pycnometer.csv, sources beside each); one of them is off by
// one unit of its last place in print.
func TestPycnometerExamples(t *testing.T) {
	rows := table(t, "pycnometer.csv")
	if len(rows) != 3 {
		t.Fatalf("%d examples", len(rows))
	}
	for _, row := range rows {
		v := func(column string) *big.Rat { return r(t, row[column]) }
		var got *big.Rat
		var err error
		switch row["what"] {
		case "volume":
			got, err = metrology.PycnometerVolume(v("empty_g"), v("with_liquid_g"), v("liquid_kg_m3"), v("air_kg_m3"), v("weights_kg_m3"))
		case "solid":
			got, err = metrology.PycnometerSolid(v("empty_g"), v("with_solid_g"), v("with_both_g"), v("with_liquid_g"), v("liquid_kg_m3"), v("air_kg_m3"))
		case "soil":
			got, err = metrology.SoilGravity(new(big.Rat).Sub(v("with_solid_g"), v("empty_g")), v("with_liquid_g"), v("with_both_g"))
		}
		if err != nil || got == nil {
			t.Fatal(row["case"], err)
		}
		if row["unit"] == "g/cm3" {
			got.Quo(got, r(t, "1000"))
		}
		near(t, row["case"], got, row["printed"], row["off_by_units"])
		t.Logf("%s: %s %s, and %s is printed", row["case"], got.FloatString(5), row["unit"], row["printed"])
	}
}

// TestSoilFactor holds the temperature coefficients of ASTM D854, from memory, to one unit of their last place: by densities
// of water as a public page prints them, and by those of this package.
func TestSoilFactor(t *testing.T) {
	rows := table(t, "soil_factor.csv")
	for _, row := range rows {
		k, err := metrology.SoilFactor(r(t, row["water_kg_m3"]), r(t, "998.2071"))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["celsius"]+" °C", k, row["k_from_memory"], "1")
		water, _, err := metrology.WaterDensity(r(t, row["celsius"]))
		at20, _, err2 := metrology.WaterDensity(r(t, "20"))
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		if k, err = metrology.SoilFactor(water, at20); err != nil {
			t.Fatal(err)
		}
		near(t, row["celsius"]+" °C by the density of water here", k, row["k_from_memory"], "1")
	}
	if len(rows) != 5 {
		t.Errorf("%d temperatures", len(rows))
	}
}

// TestPycnometerFindsTheDensity fills a pycnometer with known bodies by the balance of forces in air, and asks for their densities back.
func TestPycnometerFindsTheDensity(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	between := func(low, high int64) *big.Rat { return big.NewRat(low+rng.Int64N(high-low), 1000) }
	weights := r(t, "8000")
	for range 200 {
		air, water, liquid, solid := between(1000, 1300), between(990_000, 1_000_000), between(700_000, 1_800_000), between(1_200_000, 9_000_000)
		empty, volume, mass := between(20_000, 40_000), between(40_000, 60_000), between(1_000, 20_000) // g, cm³, g
		// what a balance adjusted in this air shows for a mass of a density
		shown := func(m, density *big.Rat) *big.Rat {
			lift := func(d *big.Rat) *big.Rat { return new(big.Rat).Sub(r(t, "1"), new(big.Rat).Quo(air, d)) }
			return new(big.Rat).Quo(new(big.Rat).Mul(m, lift(density)), lift(weights))
		}
		filled := func(v, density *big.Rat) *big.Rat { // v in cm³, density in kg/m³, mass in g
			m := new(big.Rat).Mul(v, density)
			return shown(m.Quo(m, r(t, "1000")), density)
		}
		add := func(x ...*big.Rat) *big.Rat { return metrology.Sum(x) }
		v, err := metrology.PycnometerVolume(empty, add(empty, filled(volume, water)), water, air, weights)
		if err != nil || v.Cmp(volume) != 0 {
			t.Fatal("volume", v, volume, err)
		}
		if d, err := metrology.PycnometerLiquid(empty, add(empty, filled(volume, liquid)), v, air, weights); err != nil || d.Cmp(liquid) != 0 {
			t.Fatal("liquid", d, liquid, err)
		}
		taken := new(big.Rat).Quo(new(big.Rat).Mul(mass, r(t, "1000")), solid)
		left := new(big.Rat).Sub(volume, taken)
		d, err := metrology.PycnometerSolid(empty, add(empty, shown(mass, solid)), add(empty, shown(mass, solid), filled(left, liquid)),
			add(empty, filled(volume, liquid)), liquid, air)
		if err != nil || d.Cmp(solid) != 0 {
			t.Fatal("solid", d, solid, err)
		}
	}
}

// TestPycnometerRefuses holds that weighings which do not fit each other are refused.
func TestPycnometerRefuses(t *testing.T) {
	n := func(s string) *big.Rat { return r(t, s) }
	for name, refused := range map[string]func() (*big.Rat, error){
		"full lighter than empty": func() (*big.Rat, error) {
			return metrology.PycnometerVolume(n("82"), n("31"), n("997"), n("1.2"), n("8000"))
		},
		"water lighter than air": func() (*big.Rat, error) {
			return metrology.PycnometerVolume(n("31"), n("82"), n("1"), n("1.2"), n("0"))
		},
		"no volume": func() (*big.Rat, error) {
			return metrology.PycnometerLiquid(n("31"), n("82"), n("0"), n("1.2"), n("0"))
		},
		"both and liquid mixed up": func() (*big.Rat, error) {
			return metrology.PycnometerSolid(n("25"), n("40"), n("60"), n("42"), n("1000"), n("0"))
		},
		"no solid": func() (*big.Rat, error) {
			return metrology.PycnometerSolid(n("25"), n("25"), n("54"), n("42"), n("1000"), n("0"))
		},
		"no soil":                   func() (*big.Rat, error) { return metrology.SoilGravity(n("0"), n("327"), n("373")) },
		"soil that takes no place":  func() (*big.Rat, error) { return metrology.SoilGravity(n("73"), n("300"), n("373")) },
		"no density of water":       func() (*big.Rat, error) { return metrology.SoilFactor(n("998"), n("0")) },
		"both lighter than the dry": func() (*big.Rat, error) { return metrology.SoilGravity(n("73"), n("327"), n("70")) },
	} {
		if got, err := refused(); err == nil {
			t.Errorf("%s: %s", name, got.FloatString(4))
		}
	}
}
