package metrology_test

import (
	"math/big"
	"testing"

	"weighpost/gateway/metrology"
)

// TestDustOnFilters holds the formula of NIOSH 0501 (0500, 0600) with a published example, and with blanks of invented masses.
func TestDustOnFilters(t *testing.T) {
	rows := table(t, "filters.csv")
	if len(rows) != 2 {
		t.Fatalf("%d examples", len(rows))
	}
	for _, row := range rows {
		v := func(column string) *big.Rat { return r(t, row[column]) }
		c, err := metrology.DustConcentration(v("before_g"), v("after_g"), v("blank_before_g"), v("blank_after_g"), v("volume_m3"))
		if err != nil {
			t.Fatal(err)
		}
		near(t, row["case"], c, row["printed_mg_m3"], "1") // the published one is cut off
		t.Logf("%s: %s mg/m³", row["case"], c.FloatString(6))
	}
	if c, err := metrology.DustConcentration(r(t, "1"), r(t, "1"), r(t, "1"), r(t, "1.1"), r(t, "1")); err != nil || c.Cmp(r(t, "-100")) != 0 {
		t.Errorf("a filter that gained less than its blank: %v %v", c, err)
	}
	if c, err := metrology.DustConcentration(r(t, "1"), r(t, "2"), r(t, "0"), r(t, "0"), r(t, "0")); err == nil {
		t.Errorf("no volume: %v", c)
	}
	if c, err := metrology.DustConcentration(r(t, "0"), r(t, "2"), r(t, "0"), r(t, "0"), r(t, "1")); err == nil {
		t.Errorf("no filter: %v", c)
	}
}

// TestFilterBuoyancy holds the example of 40 CFR 1065.690, from memory: 100.0000 mg of PTFE membrane (920 kg/m³) in air of 1.18282 kg/m³ are
// 100.1139 mg; and that a filter that did not change gained nothing, whatever the air did between.
func TestFilterBuoyancy(t *testing.T) {
	m, err := metrology.FilterMass(r(t, "100.0000"), r(t, "1.18282"), r(t, "8000"), r(t, "920"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "40 CFR 1065.690", m, "100.1139", "0.5")
	dry, damp := r(t, "1.2041"), r(t, "1.1550")
	reading := func(mass string, air *big.Rat) *big.Rat { // what the balance shows of a mass
		f, err := metrology.FilterMass(r(t, "1"), air, r(t, "8000"), r(t, "2200"))
		if err != nil {
			t.Fatal(err)
		}
		return new(big.Rat).Quo(r(t, mass), f)
	}
	before, after := reading("0.1450000", dry), reading("0.1450000", damp)
	if apparent := new(big.Rat).Sub(after, before); apparent.Cmp(r(t, "0.000002")) < 0 {
		t.Errorf("a change of the air by 4 %% shows as %s g only: nothing to correct here", apparent.FloatString(9))
	}
	gain, err := metrology.FilterGain(before, dry, after, damp, r(t, "8000"), r(t, "2200"))
	if err != nil || gain.Sign() != 0 {
		t.Errorf("an unchanged filter gained %v g: %v", gain, err)
	}
	if gain, err := metrology.FilterGain(before, dry, after, damp, r(t, "8000"), r(t, "1")); err == nil {
		t.Errorf("a filter lighter than air gained %v", gain)
	}
}

// TestBlankRules holds the limits for blanks, all from memory, at their edge.
func TestBlankRules(t *testing.T) {
	micrograms := map[string]string{"laboratory blank, PM2.5": "15", "field blank, PM2.5": "30",
		"blank filter in the weighing room, EN 12341": "40", "field blank, EN 12341": "60"}
	for _, rule := range metrology.BlankRules() {
		limit := new(big.Rat).Quo(r(t, micrograms[rule.Name]), r(t, "1000000"))
		over := new(big.Rat).Add(limit, r(t, "0.000000001"))
		for change, want := range map[*big.Rat]bool{limit: true, new(big.Rat).Neg(limit): true, over: false, new(big.Rat).Neg(over): false} {
			if ok, got, err := metrology.BlankPasses(rule.Name, change); err != nil || ok != want || !got.Source.FromMemory {
				t.Errorf("%s, %s g: %v %v %v", rule.Name, change.FloatString(9), ok, got, err)
			}
		}
	}
	if len(metrology.BlankRules()) != len(micrograms) {
		t.Errorf("%d rules", len(metrology.BlankRules()))
	}
	if _, _, err := metrology.BlankPasses("any", r(t, "0")); err == nil {
		t.Error("a rule that is none")
	}
}
