package metrology_test

import (
	"math/big"
	"math/rand/v2"
	"testing"

	"weighpost/gateway/metrology"
)

// TestTenKilograms holds the calibration of a weight of 10 kg of EA-4/02, S2: three series ABBA, a mean difference of 0.020 g and a mass of
// 10 000.025 g (both as a public file of the example prints them, metrodata.de/examples/s02_en.html; the single readings are from memory).
func TestTenKilograms(t *testing.T) {
	var differences []*big.Rat
	for _, row := range table(t, "substitution_10kg.csv") {
		d := metrology.CycleABBA(r(t, row["standard_1_g"]), r(t, row["unknown_1_g"]), r(t, row["unknown_2_g"]), r(t, row["standard_2_g"]))
		near(t, "series "+row["series"], d, row["difference_g"], "0")
		differences = append(differences, d)
	}
	mean, err := metrology.Mean(differences)
	if err != nil || len(differences) != 3 {
		t.Fatal(err, len(differences))
	}
	near(t, "mean difference", mean, "0.0200", "0")
	near(t, "mass", mean.Add(mean, r(t, "10000.005")), "10000.025", "0")
}

// TestDriftFallsOut holds that a steady drift and an error common to sample and reference change no comparison, exactly, and that leaving
// the second reference out would have let the drift in.
func TestDriftFallsOut(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	some := func() *big.Rat { return big.NewRat(rng.Int64N(2_000_001)-1_000_000, 1_000_000) }
	for range 200 {
		a, b, drift, off := r(t, "100"), new(big.Rat).Add(r(t, "100"), some()), some(), some()
		at := func(m *big.Rat, step int64) *big.Rat {
			x := new(big.Rat).Add(m, off)
			return x.Add(x, new(big.Rat).Mul(drift, big.NewRat(step, 1)))
		}
		want := new(big.Rat).Sub(b, a)
		if d := metrology.CycleABA(at(a, 0), at(b, 1), at(a, 2)); d.Cmp(want) != 0 {
			t.Fatal("ABA", d, want)
		}
		if d := metrology.CycleABBA(at(a, 0), at(b, 1), at(b, 2), at(a, 3)); d.Cmp(want) != 0 {
			t.Fatal("ABBA", d, want)
		}
		if m, err := metrology.Bracketed(at(a, 0), at(b, 1), at(a, 2), a); err != nil || m.Cmp(b) != 0 {
			t.Fatal("bracketed", m, b, err)
		}
		if alone := new(big.Rat).Sub(at(b, 1), at(a, 0)); drift.Sign() != 0 && alone.Cmp(want) == 0 {
			t.Fatal("one reference alone was as good")
		}
		twice := new(big.Rat).Mul(drift, r(t, "2"))
		if s := metrology.BracketSpread(at(a, 0), at(a, 2)); s.Cmp(twice.Abs(twice)) != 0 {
			t.Fatal("spread", s, twice)
		}
	}
}

// TestDoubleSubstitution holds that the sensitivity weight takes out a balance that shows too much or too little (SOP 4, formula from memory).
func TestDoubleSubstitution(t *testing.T) {
	for _, slope := range []string{"1", "1.01", "0.97"} {
		shown := func(m string) *big.Rat { return new(big.Rat).Mul(r(t, m), r(t, slope)) }
		d, err := metrology.DoubleSubstitution(shown("0"), shown("0.0123"), shown("0.0523"), shown("0.0400"), r(t, "0.0400"))
		if err != nil || d.Cmp(r(t, "0.0123")) != 0 {
			t.Errorf("slope %s: %v %v", slope, d, err)
		}
	}
	if d, err := metrology.DoubleSubstitution(r(t, "0"), r(t, "1"), r(t, "1"), r(t, "0"), r(t, "1")); err == nil {
		t.Errorf("a sensitivity weight that does nothing: %v", d)
	}
}

// TestRecovery holds a sample on two days, each between a reference of 20.00012 g: inputs invented, worked by hand.
func TestRecovery(t *testing.T) {
	before, err := metrology.Bracketed(r(t, "20.0003"), r(t, "21.5403"), r(t, "20.0005"), r(t, "20.00012"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "before", before, "21.54002", "0") // 20.00012 + 21.5403 − 20.0004
	after, err := metrology.Bracketed(r(t, "19.9998"), r(t, "21.1092"), r(t, "19.9998"), r(t, "20.00012"))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "after", after, "21.10952", "0")
	p, err := metrology.Recovery(before, after)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "recovery", p, "98.00139", "0.5") // 21.10952/21.54002
	for name, refused := range map[string]func() error{
		"nothing before": func() error { _, err := metrology.Recovery(r(t, "0"), r(t, "1")); return err },
		"less than none": func() error { _, err := metrology.Recovery(r(t, "1"), r(t, "-1")); return err },
		"no reference":   func() error { _, err := metrology.Bracketed(r(t, "1"), r(t, "1"), r(t, "1"), r(t, "0")); return err },
	} {
		if refused() == nil {
			t.Errorf("%s: taken", name)
		}
	}
}
