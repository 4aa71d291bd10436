package metrology_test

import (
	"math"
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

// TestCoverageFactors works Student's t for 95.45 % out again, by integrating its density, and holds the table of EA-4/02 M:2022, annex E
// (from memory).
func TestCoverageFactors(t *testing.T) {
	inside := func(t float64, v int) float64 { // P(|T| ≤ t), by Simpson's rule over the angle: t = √v·tan φ
		top, _ := math.Lgamma(float64(v+1) / 2)
		bottom, _ := math.Lgamma(float64(v) / 2)
		end, n, sum := math.Atan(t/math.Sqrt(float64(v))), 100, 0.0
		for i := range n + 1 {
			w := 2.0
			switch {
			case i == 0 || i == n:
				w = 1
			case i%2 == 1:
				w = 4
			}
			sum += w * math.Pow(math.Cos(end*float64(i)/float64(n)), float64(v-1))
		}
		return 2 * math.Exp(top-bottom) / math.Sqrt(math.Pi) * sum * end / float64(n) / 3
	}
	for v := 1; v <= 300; v++ {
		k, _ := metrology.Coverage(int64(v)).Float64()
		low, high := inside(k-0.005, v), inside(k+0.005, v)
		switch {
		case v <= 30 || v == 40 || v == 50 || v == 100: // its own row: to two decimals
			if low > 0.9545 || high < 0.9545 {
				t.Errorf("%d degrees of freedom: k = %g", v, k)
			}
		case v < 200: // rather too large, and not by much
			if high < 0.9545 || inside(k-0.03, v) > 0.9545 {
				t.Errorf("%d degrees of freedom: k = %g", v, k)
			}
		default:
			if k != 2 || inside(2, v) < 0.953 {
				t.Errorf("%d degrees of freedom: k = %g covers %.4f", v, k, inside(k, v))
			}
		}
	}
	for v, want := range map[int64]string{1: "13.97", 2: "4.53", 3: "3.31", 4: "2.87", 5: "2.65", 6: "2.52", 7: "2.43", 8: "2.37", 10: "2.28", 20: "2.13", 50: "2.05", 0: "2.00"} {
		if k := metrology.Coverage(v); k.FloatString(2) != want {
			t.Errorf("%d degrees of freedom: k = %s, not %s", v, k.FloatString(2), want)
		}
	}
}

// TestFewWeighingsAreWorthLess has the coverage factor of a budget grow where a repeatability of few weighings leads it.
func TestFewWeighingsAreWorthLess(t *testing.T) {
	for n, want := range map[int]string{0: "2", 4: "3.31", 11: "2.28"} {
		parts, missing := metrology.InWeighing{SD: r(t, "0.001"), Weighings: n}.Parts()
		if len(missing) != 6 {
			t.Errorf("nothing but the scatter is known, and missing is %v", missing)
		}
		b, err := metrology.CombineFor95(parts)
		if err != nil || b.K.Cmp(r(t, want)) != 0 || b.Expanded.Cmp(r(t, "0.001")) <= 0 || new(big.Rat).Quo(b.Expanded, b.K).Cmp(r(t, "0.001")) != 0 {
			t.Errorf("%d weighings: %v k = %s, U = %s", n, err, b.K, b.Expanded)
		}
	}
}

// TestAllPartsOfAWeighing adds every part up by hand, in milligrams: 50 g on a balance of 0.1 mg.
func TestAllPartsOfAWeighing(t *testing.T) {
	w := metrology.InWeighing{Load: r(t, "-50"), AtZero: r(t, "0.0001"), AtLoad: r(t, "0.001"), SD: r(t, "0.0004"), Weighings: 10, Eccentricity: r(t, "0.0006"), EccentricLoad: r(t, "100"),
		Reference: r(t, "0.0003"), ReferenceK: r(t, "2"), ReferenceLoad: r(t, "200"), TemperaturePPM: r(t, "2"), Kelvin: r(t, "3"), Buoyancy: r(t, "0.0009")}
	parts, missing := w.Parts()
	if len(missing) != 0 || len(parts) != 7 {
		t.Fatalf("%v, and %d parts", missing, len(parts))
	}
	b, err := metrology.CombineFor95(parts)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{
		"1/1200",     // (0.1/2)²/3
		"1/12",       // (1/2)²/3
		"0.16",       // 0.4²
		"0.0075",     // (0.6/2·50/100)²/3
		"0.00140625", // (0.3/2·50/200)²
		"0.03",       // (50 g·2·10⁻⁶/K·3 K)²/3
		"0.27",       // 0.9²/3
	} {
		off := new(big.Rat).Mul(b.Parts[i].Standard, b.Parts[i].Standard)
		off.Sub(off, new(big.Rat).Quo(r(t, want), r(t, "1000000")))
		if off.Abs(off).Cmp(r(t, "1e-40")) > 0 {
			t.Errorf("%s: off by %s g²", b.Parts[i].Name, off.FloatString(20))
		}
	}
	// Effective degrees of freedom: (Σu²)²/(0.16²/9) = 0.5530729…²·9/0.0256 = 107.5.
	if b.Freedom != 107 || b.K.Cmp(r(t, "2.03")) != 0 || metrology.Uncertainty(b.Expanded) != "0.0016" {
		t.Errorf("%d degrees of freedom, k = %s, U = %s g", b.Freedom, b.K, metrology.Uncertainty(b.Expanded))
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
