package metrology_test

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"

	"weighpost/gateway/metrology"
)

func seeded(t *testing.T) *rand.Rand {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 1))
}

// some makes readings as a balance of 0.1 mg might give them.
func some(g *rand.Rand, n int) (x []*big.Rat) {
	for range n {
		x = append(x, big.NewRat(1_000_000+g.Int64N(21)-10, 10_000))
	}
	return x
}

func times(x []*big.Rat, f *big.Rat) (y []*big.Rat) {
	for _, v := range x {
		y = append(y, new(big.Rat).Mul(v, f))
	}
	return y
}

// TestUnitsAndOrderDoNotMatter has a repeatability in another unit, in another order and shifted: the same but for the unit.
func TestUnitsAndOrderDoNotMatter(t *testing.T) {
	g := seeded(t)
	for range 200 {
		x, f, d := some(g, 2+g.IntN(12)), big.NewRat(1+g.Int64N(1000), 1+g.Int64N(1000)), r(t, "0.0001")
		was, err := metrology.RepeatabilityUSP41(x, d)
		if err != nil {
			t.Fatal(err)
		}
		scaled, err := metrology.RepeatabilityUSP41(times(x, f), new(big.Rat).Mul(d, f))
		if err != nil {
			t.Fatal(err)
		}
		want := new(big.Rat).Mul(was.Effective, f)
		if off := new(big.Rat).Sub(scaled.Effective, want); off.Abs(off).Cmp(new(big.Rat).Mul(want, r(t, "1e-40"))) > 0 || scaled.Floored != was.Floored {
			t.Fatalf("times %s: %s, not %s", f, scaled.Effective.FloatString(50), want.FloatString(50))
		}
		mixed := slices.Clone(x)
		g.Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		again, err := metrology.RepeatabilityUSP41(mixed, d)
		if err != nil || again.SD.Cmp(was.SD) != 0 || again.Mean.Cmp(was.Mean) != 0 {
			t.Fatalf("in another order: %v", err)
		}
		for i := range mixed {
			mixed[i] = new(big.Rat).Add(mixed[i], f)
		}
		if sd, err := metrology.SD(mixed); err != nil || sd.Cmp(was.SD) != 0 {
			t.Fatalf("shifted by %s: %v", f, err)
		}
	}
}

// TestRoundingStaysNear has every rounding within half a step, on the grid, and the two rules apart only at a tie.
func TestRoundingStaysNear(t *testing.T) {
	g := seeded(t)
	for range 2000 {
		x, step := big.NewRat(g.Int64N(2_000_001)-1_000_000, 1+g.Int64N(5000)), big.NewRat(1+g.Int64N(50), 1+g.Int64N(1000))
		tie := g.IntN(3) == 0 // by chance alone there would be none
		if tie {
			x.Mul(step, big.NewRat(2*g.Int64N(2001)-2001, 2))
		}
		even, away, up := metrology.Round(x, step, metrology.HalfEven), metrology.Round(x, step, metrology.HalfAway), metrology.RoundUp(x, step)
		twice := func(y *big.Rat) *big.Rat {
			d := new(big.Rat).Sub(y, x)
			return d.Quo(d.Mul(d.Abs(d), big.NewRat(2, 1)), step)
		}
		for name, y := range map[string]*big.Rat{"half even": even, "half away": away} {
			if q := new(big.Rat).Quo(y, step); !q.IsInt() || twice(y).Cmp(big.NewRat(1, 1)) > 0 {
				t.Fatalf("%s of %s by %s is %s", name, x, step, y)
			}
		}
		if even.Cmp(away) != 0 && (twice(even).Cmp(big.NewRat(1, 1)) != 0 || new(big.Rat).Quo(even, step).Num().Bit(0) != 0) {
			t.Fatalf("%s by %s: %s and %s", x, step, even, away)
		}
		if tie && (new(big.Rat).Quo(even, step).Num().Bit(0) != 0 || new(big.Rat).Abs(away).Cmp(new(big.Rat).Abs(x)) <= 0) {
			t.Fatalf("%s lies just between two multiples of %s: %s to even, %s away from zero", x, step, even, away)
		}
		if d := new(big.Rat).Sub(up, x); d.Sign() < 0 || d.Cmp(step) >= 0 {
			t.Fatalf("%s up by %s: %s", x, step, up)
		}
	}
}

// TestRules holds roundings that the standards print: ISO 80000-1:2022, B.3 (from memory), and ties of either sign.
func TestRules(t *testing.T) {
	for _, c := range []struct{ x, even, away string }{
		{"12.223", "12.2", "12.2"}, {"12.251", "12.3", "12.3"}, {"12.275", "12.3", "12.3"}, {"12.25", "12.2", "12.3"}, {"12.35", "12.4", "12.4"},
		{"-12.25", "-12.2", "-12.3"}, {"-0.04", "0.0", "0.0"}, {"0.05", "0.0", "0.1"}, {"-0.05", "0.0", "-0.1"},
	} {
		if e, a := metrology.Text(r(t, c.x), 1, metrology.HalfEven), metrology.Text(r(t, c.x), 1, metrology.HalfAway); e != c.even || a != c.away {
			t.Errorf("%s: %s and %s, not %s and %s", c.x, e, a, c.even, c.away)
		}
	}
	for u, want := range map[string]int{"0.00012": 5, "0.0001": 5, "0.0990": 3, "0.0991": 2, "0.0999": 2, "1.5": 1, "9.9": 1, "9.91": 0, "10": 0, "15": 0, "0": 0, "1500": 0} {
		if got := metrology.DecimalsFor(r(t, u)); got != want {
			t.Errorf("beside an uncertainty of %s a result has %d decimals, not %d", u, got, want)
		}
	}
	for u, want := range map[string][2]string{"0.00012": {"0.00012", "0.00012"}, "0.000121": {"0.00013", "0.00012"}, "0.0991": {"0.10", "0.099"}, "0.0995": {"0.10", "0.10"},
		"0.0985": {"0.099", "0.098"}, "9.96": {"10", "10"}, "0.999": {"1.0", "1.0"}, "123": {"130", "120"}, "991": {"1000", "990"}, "0": {"0", "0"}} {
		if up, near := metrology.Uncertainty(r(t, u)), metrology.TwoDigits(r(t, u)); up != want[0] || near != want[1] {
			t.Errorf("%s with two digits is %s and %s, not %v", u, up, near, want)
		}
	}
	for x, want := range map[string]string{"1/3": "0.33333333333333333…", "1/8": "0.125", "-2": "-2", "1/3000": "0.00033333333333333333…", "0": "0",
		"2/3": "0.66666666666666666…", "-2/3": "-0.66666666666666666…", "2999999999999999999999/3000000000000000000001": "0.99999999999999999…"} {
		if got := metrology.Exact(r(t, x)); got != want {
			t.Errorf("%s is %s, not %s", x, got, want)
		}
	}
}

// TestMinimumWeightGrows has each minimum weight grow with what it comes of.
func TestMinimumWeightGrows(t *testing.T) {
	g := seeded(t)
	some := func() *big.Rat { return big.NewRat(1+g.Int64N(1000), 1_000_000) }
	for range 500 {
		s, more, d := some(), some(), some()
		a, err1 := metrology.MinimumUSP41(s, d)
		b, err2 := metrology.MinimumUSP41(new(big.Rat).Add(s, more), d)
		if err1 != nil || err2 != nil || b.Mass.Cmp(a.Mass) < 0 {
			t.Fatalf("%v %v: %s after %s", err1, err2, b.Mass, a.Mass)
		}
		use := metrology.InUse{Alpha: some(), Beta: big.NewRat(g.Int64N(100), 10_000_000)}
		low, err1 := metrology.MinimumCG18(use, r(t, "0.001"), r(t, "1"))
		for i, worse := range []func() (metrology.Minimum, error){
			func() (metrology.Minimum, error) { return metrology.MinimumCG18(use, r(t, "0.001"), r(t, "2")) },
			func() (metrology.Minimum, error) { return metrology.MinimumCG18(use, r(t, "0.0005"), r(t, "1")) },
			func() (metrology.Minimum, error) {
				return metrology.MinimumCG18(metrology.InUse{Alpha: new(big.Rat).Add(use.Alpha, more), Beta: use.Beta}, r(t, "0.001"), r(t, "1"))
			},
		} {
			if m, err := worse(); err1 != nil || err == nil && m.Mass.Cmp(low.Mass) <= 0 {
				t.Fatalf("worse way %d: %v %s, was %s", i, err, m.Mass, low.Mass)
			}
		}
	}
}

// TestRoots has the square of a root come back to Digits digits, and exact where it is a fraction.
func TestRoots(t *testing.T) {
	g := seeded(t)
	for range 300 {
		x := new(big.Rat).SetFrac(big.NewInt(1+g.Int64N(1<<40)), new(big.Int).Exp(big.NewInt(10), big.NewInt(g.Int64N(40)), nil))
		root, err := metrology.Sqrt(x)
		if err != nil {
			t.Fatal(err)
		}
		off := new(big.Rat).Sub(new(big.Rat).Mul(root, root), x)
		if off.Quo(off.Abs(off), x).Cmp(r(t, "1e-44")) > 0 {
			t.Fatalf("the root of %s is off by %s of it", x, off.FloatString(60))
		}
		if back, err := metrology.Sqrt(new(big.Rat).Mul(x, x)); err != nil || back.Cmp(x) != 0 {
			t.Fatalf("the root of %s squared is %s", x, back)
		}
	}
	if _, err := metrology.Sqrt(r(t, "-1")); err == nil {
		t.Error("-1 has a root")
	}
}

// TestErrorsOfIndication holds eccentricity, linearity and sensitivity against sums done by hand.
func TestErrorsOfIndication(t *testing.T) {
	e, err := metrology.EccentricityOf(r(t, "100.0001"), []metrology.Placed{{Name: "front left", Reading: r(t, "100.0003")}, {Name: "front right", Reading: r(t, "99.9997")}})
	if err != nil || e.Greatest.Cmp(r(t, "0.0004")) != 0 || e.Differences[1].Reading.Cmp(r(t, "-0.0004")) != 0 {
		t.Errorf("%v %+v", err, e)
	}
	var loads []metrology.Placed
	for i, reading := range []string{"0.0000", "50.0001", "100.0002", "150.0004", "200.0004"} {
		loads = append(loads, metrology.Placed{Name: fmt.Sprint(i), Load: big.NewRat(int64(50*i), 1), Reading: r(t, reading)})
	}
	// Slope: Σ load·error / Σ load² = (0.005 + 0.02 + 0.06 + 0.08)/75000 = 0.165/75000; the greatest distance from it is at 150 g.
	l, err := metrology.LinearityOf(loads)
	if err != nil || l.Greatest.Cmp(r(t, "0.0004")) != 0 || l.Slope.Cmp(r(t, "165/75000000")) != 0 || l.Bent.Cmp(r(t, "0.00007")) != 0 {
		t.Errorf("%v %s %s %s", err, l.Greatest.FloatString(6), l.Slope, l.Bent.FloatString(8))
	}
	s, err := metrology.SensitivityOf(r(t, "0.0001"), r(t, "200.0007"), r(t, "200.0002"))
	if err != nil || s.Error.Cmp(r(t, "0.0004")) != 0 || s.Relative.Cmp(r(t, "4/2000002")) != 0 {
		t.Errorf("%v %+v", err, s)
	}
	// An error is the reading less the value: what shows too little is below zero (JCGM 200:2012, 2.16, from memory).
	if dev, err := metrology.ErrorOf(r(t, "199.9998"), r(t, "200")); err != nil || dev.Error.Cmp(r(t, "-0.0002")) != 0 || dev.Percent.Cmp(r(t, "0.0001")) != 0 {
		t.Errorf("%v %+v", err, dev)
	}
	// A weight whose own limit is just a third is fine enough.
	if third, more := r(t, "1/3"), r(t, "0.33334"); !metrology.FineEnough(third, r(t, "1")) || metrology.FineEnough(more, r(t, "1")) {
		t.Error("a third")
	}
}
