package metrology_test

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"weighpost/gateway/metrology"
)

// TestSampleSize holds a textbook's sample size for a mean: 49.79, so 50, and 199.1, so 200 (testdata/sample_size.csv). There the deviation and
// the error are in ounces; their ratio is the same in per cent of a mean.
func TestSampleSize(t *testing.T) {
	rows := table(t, "sample_size.csv")
	for _, row := range rows {
		n, err := metrology.MinimumSample(r(t, row["sd"]), r(t, row["error"]), r(t, row["k"]))
		if err != nil || n.Cmp(r(t, row["rounded_up"])) != 0 {
			t.Errorf("%v %v, and %s stands there", n, err, row["rounded_up"])
		}
		q := new(big.Rat).Quo(new(big.Rat).Mul(r(t, row["k"]), r(t, row["sd"])), r(t, row["error"]))
		near(t, "before rounding up", q.Mul(q, q), row["printed"], "0.5")
	}
	if len(rows) != 2 {
		t.Errorf("%d rows", len(rows))
	}
	if n, err := metrology.MinimumSample(r(t, "0"), r(t, "1"), r(t, "2")); err != nil || n.Cmp(r(t, "1")) != 0 {
		t.Errorf("pieces all alike: %v %v", n, err)
	}
	if n, err := metrology.MinimumSample(r(t, "1"), r(t, "0"), r(t, "2")); err == nil {
		t.Errorf("no error at all: %v", n)
	}
}

// TestCountingByMass holds the quotient, and that it is refused between whole numbers.
func TestCountingByMass(t *testing.T) {
	piece, err := metrology.PieceMass(r(t, "4.25"), r(t, "100"))
	if err != nil || piece.Cmp(r(t, "0.0425")) != 0 {
		t.Fatal(piece, err)
	}
	limit := r(t, "0.2")
	for net, want := range map[string]string{"0": "0", "42.5": "1000", "42.5085": "1000", "42.4915": "1000", "42.50851": "", "42.52": "", "0.0425": "1"} {
		c, err := metrology.Pieces(r(t, net), piece, limit)
		switch {
		case want == "" && err == nil:
			t.Errorf("%s g: %v pieces, and that is not near a whole number", net, c.Pieces)
		case want == "":
		case err != nil || c.Pieces.Cmp(r(t, want)) != 0 || new(big.Rat).Add(c.Pieces, c.Off).Cmp(c.Exact) != 0:
			t.Errorf("%s g: %+v %v, not %s", net, c, err, want)
		}
	}
	for name, refused := range map[string]func() error{
		"half a piece counted": func() error { _, err := metrology.PieceMass(r(t, "1"), r(t, "0.5")); return err },
		"no piece counted":     func() error { _, err := metrology.PieceMass(r(t, "1"), r(t, "0")); return err },
		"pieces of no mass":    func() error { _, err := metrology.PieceMass(r(t, "0"), r(t, "1")); return err },
		"limit of a half":      func() error { _, err := metrology.Pieces(r(t, "1"), r(t, "1"), r(t, "0.5")); return err },
		"negative net":         func() error { _, err := metrology.Pieces(r(t, "-1"), r(t, "1"), limit); return err },
	} {
		if refused() == nil {
			t.Errorf("%s: taken", name)
		}
	}
}

// TestSpreadOfACount counts by mass many times over with pieces that differ, and holds what the counts spread by against CountSD. The
// second judge is chance itself: within four standard errors of a standard deviation.
func TestSpreadOfACount(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 4))
	const pieces, sample, cv, trials = 400, 50, 2.0, 4000
	normal := func(n float64) float64 { return n + math.Sqrt(n)*cv/100*rng.NormFloat64() } // the mass of n pieces of mean 1
	var sum, squares float64
	for range trials {
		count := normal(pieces) / (normal(sample) / sample)
		sum += count
		squares += count * count
	}
	seen := math.Sqrt((squares - sum*sum/trials) / (trials - 1))
	sd, err := metrology.CountSD(r(t, "400"), r(t, "50"), r(t, "2"))
	if err != nil {
		t.Fatal(err)
	}
	want, _ := sd.Float64()
	t.Logf("counts spread by %.4f pieces, and %.4f is foretold", seen, want)
	if math.Abs(seen/want-1) > 4/math.Sqrt(2*trials)+0.002 { // 0.2 %: what the first-order formula leaves out
		t.Errorf("counts spread by %.4f pieces, and %.4f is foretold", seen, want)
	}
}

// TestMostPieces holds that the number it gives fits and the next one does not.
func TestMostPieces(t *testing.T) {
	for _, c := range [][3]string{{"50", "2", "2"}, {"100", "1", "3"}, {"10", "0.5", "2"}, {"10", "100", "3"}} {
		n, err := metrology.MostPieces(r(t, c[0]), r(t, c[1]), r(t, c[2]))
		if err != nil {
			t.Fatal(err)
		}
		for _, off := range []int64{0, 1} {
			sd, err := metrology.CountSD(new(big.Rat).Add(n, big.NewRat(off, 1)), r(t, c[0]), r(t, c[1]))
			if err != nil || (new(big.Rat).Mul(sd, r(t, c[2])).Cmp(r(t, "0.5")) <= 0) != (off == 0) {
				t.Errorf("%v: %v and %d more spread by %v: %v", c, n, off, sd, err)
			}
		}
	}
	if n, err := metrology.MostPieces(r(t, "10"), r(t, "0"), r(t, "2")); err == nil {
		t.Errorf("pieces all alike: %v", n)
	}
}
