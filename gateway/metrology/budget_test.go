package metrology_test

import (
	"math/big"
	"slices"
	"testing"

	"weighpost/gateway/metrology"
)

// TestPublishedUncertaintyBudget works through the calibration of a weight of 10 kg: EA-4/02 M:2022, supplement S2. Inputs and results
// as printed there; the results of a second program for the same example are 10000.0250 g, 29.1 mg with 14.2 mg for the observed
// difference, and shares of 59.6, 8.8, 23.7, 3.9 and 3.9 %.
func TestPublishedUncertaintyBudget(t *testing.T) {
	pooled, err := metrology.Sqrt(r(t, "1/4800")) // 25 mg over √3: (0.025 g)²/3
	if err != nil {
		t.Fatal(err)
	}
	parts := []metrology.Part{
		{Name: "standard", HalfWidth: r(t, "0.045"), Spread: metrology.Normal, K: r(t, "2")},
		{Name: "drift of the standard", HalfWidth: r(t, "0.015"), Spread: metrology.Rectangular},
		{Name: "observed difference", HalfWidth: pooled, Spread: metrology.Normal},
		{Name: "eccentricity and magnetism", HalfWidth: r(t, "0.010"), Spread: metrology.Rectangular},
		{Name: "air buoyancy", HalfWidth: r(t, "0.010"), Spread: metrology.Rectangular},
	}
	b, err := metrology.Combine(parts, r(t, "2"))
	if err != nil {
		t.Fatal(err)
	}
	if u := metrology.Text(b.Standard, 4, metrology.HalfEven); u != "0.0293" {
		t.Errorf("the standard uncertainty is %s g, and 29.3 mg is printed", u)
	}
	if u := metrology.Text(b.Expanded, 3, metrology.HalfEven); u != "0.059" {
		t.Errorf("the expanded uncertainty is %s g, and 59 mg is printed", u)
	}
	parts[2].HalfWidth = r(t, "0.0142")
	if b, err = metrology.Combine(parts, r(t, "2")); err != nil {
		t.Fatal(err)
	}
	var shares []string
	for _, p := range b.Parts {
		shares = append(shares, metrology.Text(new(big.Rat).Mul(p.Share, r(t, "100")), 1, metrology.HalfEven))
	}
	if u := metrology.Text(b.Standard, 4, metrology.HalfEven); u != "0.0291" || !slices.Equal(shares, []string{"59.6", "8.8", "23.7", "3.9", "3.9"}) {
		t.Errorf("%s g, shares %v", u, shares)
	}
}

// TestEffectiveDegreesOfFreedom works through JCGM 100:2008, H.1.6 (from memory): an end gauge, in nanometres, with 16 effective degrees
// of freedom and a combined standard uncertainty of 32 nm.
func TestEffectiveDegreesOfFreedom(t *testing.T) {
	var parts []metrology.Part
	for _, p := range []struct {
		u       string
		freedom int
	}{{"25", 18}, {"5.8", 24}, {"3.9", 5}, {"6.7", 8}, {"2.9", 50}, {"16.6", 2}} {
		parts = append(parts, metrology.Part{Name: p.u, HalfWidth: r(t, p.u), Spread: metrology.Normal, Freedom: p.freedom})
	}
	b, err := metrology.Combine(parts, r(t, "2.92"))
	if err != nil || b.Freedom != 16 || metrology.Text(b.Standard, 0, metrology.HalfEven) != "32" {
		t.Errorf("%v: %d degrees of freedom, %s nm", err, b.Freedom, b.Standard.FloatString(3))
	}
}

// TestWhatABudgetIsOf says what is missing, and refuses what is none.
func TestWhatABudgetIsOf(t *testing.T) {
	w := metrology.InWeighing{Load: r(t, "50"), AtZero: r(t, "0.0001"), AtLoad: r(t, "0.0001"), SD: r(t, "0.00008"), Weighings: 10,
		Eccentricity: r(t, "0.0003"), EccentricLoad: r(t, "100"), TemperaturePPM: r(t, "1.5"), Kelvin: r(t, "2")}
	parts, missing := w.Parts()
	if !slices.Equal(missing, []string{"reference weight", "air buoyancy"}) || len(parts) != 5 || parts[2].Freedom != 9 {
		t.Errorf("%v %+v", missing, parts)
	}
	b, err := metrology.Combine(parts, r(t, "2"))
	if err != nil {
		t.Fatal(err)
	}
	// The variance by hand: 2·d²/12 + s² + (Δ/2·50/100)²/3 + (50·1.5e-6·2)²/3.
	want := r(t, "1/600000000")
	for _, s := range []string{"0.0000000064", "0.000000001875", "0.0000000075"} {
		want.Add(want, r(t, s))
	}
	if got := new(big.Rat).Mul(b.Standard, b.Standard); metrology.Text(got, 30, metrology.HalfEven) != metrology.Text(want, 30, metrology.HalfEven) {
		t.Errorf("%s, not %s", got.FloatString(30), want.FloatString(30))
	}
	for name, p := range map[string]metrology.Part{"negative": {HalfWidth: r(t, "-1"), Spread: metrology.Normal}, "no spread": {HalfWidth: r(t, "1")}, "k of zero": {HalfWidth: r(t, "1"), Spread: metrology.Normal, K: r(t, "0")}, "nothing": {Spread: metrology.Normal}} {
		if _, err := metrology.Combine([]metrology.Part{p}, r(t, "2")); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}
