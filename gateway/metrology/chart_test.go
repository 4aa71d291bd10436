package metrology_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"

	"weighpost/gateway/metrology"
)

func f64(t testing.TB, s string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func within(t testing.TB, what string, got, want, by float64) {
	t.Helper()
	if !(math.Abs(got-want) <= by) {
		t.Errorf("%s: %.12g, not %.12g", what, got, want)
	}
}

type handbook struct {
	EWMA struct {
		Lambda, Target, S, L string
		High                 string `json:"ucl_printed"`
		Low                  string `json:"lcl_printed"`
		HighExact            string `json:"ucl_steady_exact"`
		LowExact             string `json:"lcl_steady_exact"`
		Lam                  string `json:"lam"`
	} `json:"ewma"`
	CUSUM       struct{ Target, K, H string } `json:"cusum"`
	Individuals struct {
		X    []string
		Mean string
		High string `json:"ucl_printed"`
		Low  string `json:"lcl_printed"`
	} `json:"individuals"`
}

// TestHandbookCharts reproduces the handbook's worked charts point by point: individuals (6.3.2.2), CUSUM (6.3.2.3), EWMA (6.3.2.4).
func TestHandbookCharts(t *testing.T) {
	var h handbook
	read(t, "nist_control_chart_parameters.json", &h)
	var x []float64
	for _, s := range h.Individuals.X {
		x = append(x, f64(t, s))
	}
	l, err := metrology.Individuals(x)
	if err != nil {
		t.Fatal(err)
	}
	within(t, "mean", l.Centre, f64(t, h.Individuals.Mean), 1e-9)
	within(t, "upper limit", l.At(3), f64(t, h.Individuals.High), 5e-5)
	within(t, "lower limit", l.At(-3), f64(t, h.Individuals.Low), 5e-5)

	e := metrology.EWMA{Lambda: f64(t, h.EWMA.Lam), L: f64(t, h.EWMA.L), Limits: metrology.Limits{Centre: f64(t, h.EWMA.Target), Sigma: f64(t, h.EWMA.S)}}
	low, high := e.Steady()
	within(t, "EWMA low", low, f64(t, h.EWMA.LowExact), 1e-10)
	within(t, "EWMA high", high, f64(t, h.EWMA.HighExact), 1e-10)
	within(t, "EWMA low as printed, cut off", low, f64(t, h.EWMA.Low), 1e-4)
	within(t, "EWMA high as printed, cut off", high, f64(t, h.EWMA.High), 1e-4)
	for _, row := range table(t, "nist_ewma.csv") {
		p := e.Add(f64(t, row["x"]))
		within(t, "EWMA "+row["t"], p.Value, f64(t, row["ewma_exact"]), 1e-9)
		within(t, "EWMA as printed "+row["t"], p.Value, f64(t, row["ewma_printed"]), 0.0050001)
		within(t, "lower limit "+row["t"], p.Low, f64(t, row["lcl_time_varying"]), 1e-9)
		within(t, "upper limit "+row["t"], p.High, f64(t, row["ucl_time_varying"]), 1e-9)
		if p.Signal {
			t.Errorf("EWMA %s: a signal, and the handbook has none", row["t"])
		}
	}
	c := metrology.CUSUM{Target: f64(t, h.CUSUM.Target), K: f64(t, h.CUSUM.K), H: f64(t, h.CUSUM.H)}
	for _, row := range table(t, "nist_cusum.csv") {
		p := c.Add(f64(t, row["x"]))
		within(t, "sum above "+row["group"], p.High, f64(t, row["s_high"]), 1e-9)
		within(t, "sum below "+row["group"], p.Low, f64(t, row["s_low"]), 1e-9)
		if strconv.FormatBool(p.Above) != row["signal_high"] || strconv.FormatBool(p.Below) != row["signal_low"] {
			t.Errorf("group %s: %+v", row["group"], p)
		}
	}
}

// TestRunRules holds every firing point of the series of the table.
func TestRunRules(t *testing.T) {
	names := map[string]metrology.Rule{"beyond_3_sigma": metrology.Beyond3, "two_of_three_beyond_2_sigma": metrology.TwoOf3, "four_of_five_beyond_1_sigma": metrology.FourOf5,
		"eight_on_one_side": metrology.EightSide, "trend_6": metrology.Trend6, "alternating_14": metrology.Alternate14}
	var file struct {
		Cases []struct {
			Name  string
			Z     []float64
			Fires map[string][]int
		}
	}
	read(t, "control_chart_run_rules.json", &file)
	for _, c := range file.Cases {
		got := map[metrology.Rule][]int{}
		for i := range c.Z {
			for _, rule := range metrology.Signals(c.Z[:i+1]) {
				got[rule] = append(got[rule], i+1)
			}
		}
		for name, rule := range names {
			if !slices.Equal(got[rule], c.Fires[name]) {
				t.Errorf("%s, %s: %v, not %v", c.Name, rule, got[rule], c.Fires[name])
			}
		}
	}
	if len(file.Cases) != 13 || len(metrology.Rules()) != len(names) {
		t.Errorf("%d cases, %d rules", len(file.Cases), len(metrology.Rules()))
	}
}

// TestOnTheLineIsNotBeyondIt: a point on a line, and one on the centre, completes nothing, whatever stands before it.
func TestOnTheLineIsNotBeyondIt(t *testing.T) {
	for _, z := range [][]float64{{3}, {-3}, {2.5, 2.5, 2}, {-2.5, 0, -2}, {1.5, 1.5, 1.5, 1.5, 1}, {.5, .5, .5, .5, .5, .5, .5, .5, 0}} {
		if got := metrology.Signals(z); len(z) < 9 && len(got) > 0 || slices.Contains(got, metrology.EightSide) {
			t.Errorf("%v: %v", z, got)
		}
	}
}

// TestConstants holds c4, B3 and B4 for 2 to 10 values.
func TestConstants(t *testing.T) {
	for _, row := range table(t, "shewhart_constants.csv") {
		n, err := strconv.Atoi(row["n"])
		if err != nil {
			t.Fatal(err)
		}
		within(t, "c4", metrology.C4(n), f64(t, row["c4"]), 6e-9)
		_, low, high, err := metrology.SDLimits(1, n)
		if err != nil {
			t.Fatal(err)
		}
		within(t, "B3", low, f64(t, row["B3"]), 6e-9)
		within(t, "B4", high, f64(t, row["B4"]), 6e-9)
	}
}

// runLength is the mean number of points to a signal, from many simulated series.
func runLength(g *rand.Rand, series int, shift float64, fresh func() func(x float64) bool) (mean, standardError float64) {
	var sum, square float64
	for range series {
		add, n := fresh(), 0.0
		for n++; !add(g.NormFloat64()+shift) && n < 1e6; n++ {
		}
		sum += n
		square += n * n
	}
	mean = sum / float64(series)
	return mean, math.Sqrt((square/float64(series) - mean*mean) / float64(series))
}

// TestRunLengths simulates each chart and holds how long it takes to a signal against published averages: one point beyond 3 sigma,
// 370.4; the four zone rules, 91.75; CUSUM with k = 0.5: the table of e-Handbook 6.3.2.3.1 (from memory). By chance a right chart is off
// by more than five standard errors once in two million runs.
func TestRunLengths(t *testing.T) {
	g := seeded(t)
	series := 4000
	hold := func(name string, want, shift float64, fresh func() func(float64) bool) {
		t.Helper()
		got, by := runLength(g, series, shift, fresh)
		if math.Abs(got-want) > 5*by+0.01*want {
			t.Errorf("%s, shifted by %g: a signal after %.2f ± %.2f points, and %g stands in the table", name, shift, got, by, want)
		}
	}
	signals := func(which ...metrology.Rule) func() func(float64) bool {
		return func() func(float64) bool {
			var z []float64
			return func(x float64) bool {
				if z = append(z, x); len(z) > 14 {
					z = z[1:]
				}
				return slices.ContainsFunc(metrology.Signals(z), func(r metrology.Rule) bool { return slices.Contains(which, r) })
			}
		}
	}
	hold("one beyond 3 sigma", 370.4, 0, signals(metrology.Beyond3))
	hold("the zone rules", 91.75, 0, signals(metrology.Beyond3, metrology.TwoOf3, metrology.FourOf5, metrology.EightSide))
	for _, row := range []struct{ shift, h4, h5 float64 }{{0, 168, 465}, {0.5, 26.6, 38}, {1, 8.38, 10.4}, {1.5, 4.75, 5.75}, {2, 3.34, 4.01}, {3, 2.19, 2.57}} {
		for h, want := range map[float64]float64{4: row.h4, 5: row.h5} {
			hold("CUSUM, h = "+strconv.Itoa(int(h)), want, row.shift, func() func(float64) bool {
				c := metrology.CUSUM{K: 0.5, H: h}
				return func(x float64) bool { p := c.Add(x); return p.Above || p.Below }
			})
		}
	}
}

// TestDrift fits lines that are known, and is sure only of what chance does not make.
func TestDrift(t *testing.T) {
	g := seeded(t)
	var at, x, quiet []float64
	for i := range 60 {
		at = append(at, float64(i))
		x = append(x, 0.02*float64(i)+0.05*g.NormFloat64())
		quiet = append(quiet, 0.05*float64(i%2))
	}
	d, err := metrology.DriftOf(at, x)
	if err != nil || !d.Sure() {
		t.Fatalf("%v %+v", err, d)
	}
	within(t, "slope", d.Slope, 0.02, 6*d.SlopeError)
	when, ok := d.Reaches(-2, 2, 59)
	if !ok {
		t.Fatal("it reaches no limit")
	}
	within(t, "the limit", when, 100, 10)
	if d, err := metrology.DriftOf(at, quiet); err != nil || d.Sure() {
		t.Errorf("up and down in turn is a drift: %v %+v", err, d)
	}
	// A line without any scatter: y = 3 − t/2.
	line, err := metrology.DriftOf([]float64{0, 1, 2, 4}, []float64{3, 2.5, 2, 1})
	if err != nil || math.Abs(line.Slope+0.5) > 1e-12 || math.Abs(line.At0-3) > 1e-12 {
		t.Errorf("%v %+v", err, line)
	}
	if when, ok := line.Reaches(0, 5, 4); !ok || math.Abs(when-6) > 1e-9 {
		t.Errorf("at zero at %g, %v", when, ok)
	}
	if _, err := metrology.DriftOf([]float64{1, 1, 1}, []float64{1, 2, 3}); err == nil {
		t.Error("values of one time have a drift")
	}
}
