package charts

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// A simulated year: 20 balances, a check every day, and on 14 of them something goes wrong on a day that is known.
const (
	sigma     = 4e-5 // g: the scatter of the checks of a balance that is well
	yearDays  = 365
	slope     = 0.2 // standard deviations a day, of a drift
	tolerance = 15 * sigma
)

// fault is what goes wrong with a balance.
type fault struct {
	name  string
	many  int // of the 20
	value func(g *rand.Rand, since int) float64
	// within is the run length that is known for it, in points, by the CUSUM or the run rules with known limits; 0: nothing goes wrong.
	within float64
	tells  []string // by which signals
}

var sums = []string{SumAbove, SumBelow}

// The run lengths. CUSUM with k = 0.5 and h = 5: 10.4 points to a shift of one standard deviation, 4.01 to one of two (e-Handbook
// 6.3.2.3.1, from memory). A drift of 0.2 a day is beyond one standard deviation from the fifth day on, so that it takes at most five days
// more than a step. With twice the scatter a point lies beyond 3 sigma with P(|Z| > 1.5) = 0.1336, once in 7.48 points.
var faults = []fault{
	{"well", 6, func(g *rand.Rand, _ int) float64 { return g.NormFloat64() }, 0, nil},
	{"a step of one sigma", 4, func(g *rand.Rand, _ int) float64 { return 1 + g.NormFloat64() }, 10.4, sums},
	{"a step of two sigma", 2, func(g *rand.Rand, _ int) float64 { return 2 + g.NormFloat64() }, 4.01, sums},
	{"a drift", 4, func(g *rand.Rand, since int) float64 { return slope*float64(since) + g.NormFloat64() }, 15.4, sums},
	{"twice the scatter", 4, func(g *rand.Rand, _ int) float64 { return 2 * g.NormFloat64() }, 1 / 0.133614, []string{string(metrology.Beyond3)}},
}

// balanceYear is the year of one balance.
type balanceYear struct {
	fault
	day int // from which on something is wrong; yearDays where nothing is
	z   []float64
}

func yearOf(g *rand.Rand) (all []balanceYear) {
	for _, f := range faults {
		for range f.many {
			b := balanceYear{fault: f, day: yearDays}
			if f.within > 0 {
				b.day = 100 + g.IntN(100)
			}
			for i := range yearDays {
				if i < b.day {
					b.z = append(b.z, g.NormFloat64())
				} else {
					b.z = append(b.z, f.value(g, i-b.day))
				}
			}
			all = append(all, b)
		}
	}
	return all
}

// entries are the checks of the year as the journal has them.
func (b balanceYear) entries(days int) (all []*record.CheckEnded) {
	for i, z := range b.z[:days] {
		c := check(i+1, day(i), record.CheckScheduled, z*sigma)
		c.Balance.Readability = "0.00001 g"
		c.Results[0].Limit, c.Results[0].Warn = fmt.Sprintf("%.5f g", tolerance), ""
		all = append(all, c)
	}
	return all
}

func seeded(t *testing.T) (g *rand.Rand, years int) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	if os.Getenv("WEIGHPOST_LONG") == "1" {
		return rand.New(rand.NewPCG(seed, 1)), 200
	}
	return rand.New(rand.NewPCG(seed, 1)), 12
}

func meanOf(x []float64) (mean, standardError float64) {
	var sum, square float64
	for _, v := range x {
		sum, square = sum+v, square+v*v
	}
	n := float64(len(x))
	mean = sum / n
	return mean, math.Sqrt(max(0, square/n-mean*mean) / n)
}

func tells(found []Signal, which []string) bool {
	return slices.ContainsFunc(found, func(s Signal) bool { return slices.Contains(which, s.Rule) })
}

// TestASimulatedYear holds the charts, with the true centre and scatter as the tables have them, against published run lengths: each fault is
// told within its own, and what is well is told as often as chance has it. By chance a right chart is off by more than five standard errors
// once in about a million runs.
func TestASimulatedYear(t *testing.T) {
	g, years := seeded(t)
	known := metrology.Limits{Sigma: 1}
	after := map[string][]float64{}
	var well []float64
	for range years {
		for _, b := range yearOf(g) {
			well = append(well, b.z[:b.day]...)
			if b.within == 0 {
				continue
			}
			w := newWatch(known)
			n := math.Inf(1)
			for i, z := range b.z {
				if _, found := w.add(z); i >= b.day && tells(found, b.tells) {
					n = float64(i - b.day + 1)
					break
				}
			}
			after[b.name] = append(after[b.name], n)
		}
	}
	for _, f := range faults[1:] {
		mean, by := meanOf(after[f.name])
		by = min(by, f.within/math.Sqrt(float64(len(after[f.name])))) // run lengths scatter by less than their mean
		t.Logf("%s: told after %.2f ± %.2f points; the table has %.2f", f.name, mean, by, f.within)
		if !(mean <= f.within+5*by) || mean < f.within/3 {
			t.Errorf("%s: told after %.2f ± %.2f points in the mean of %d, and the run length is %.2f", f.name, mean, by, len(after[f.name]), f.within)
		}
	}
	zone := []string{string(metrology.Beyond3), string(metrology.TwoOf3), string(metrology.FourOf5), string(metrology.EightSide)}
	for _, one := range []struct {
		name   string
		which  []string
		length float64
		about  float64 // how far the figure itself may be off
	}{
		{"one point beyond 3 sigma", zone[:1], 370.4, 0},
		// Each zone rule with the first, so that none could be missing unseen: Champ and Woodall, Technometrics 29 (1987) 393–399, from memory.
		{"beyond 3 sigma, and two of three", zone[:2], 225.44, 0},
		{"beyond 3 sigma, and four of five", []string{zone[0], zone[2]}, 166.05, 0},
		{"beyond 3 sigma, and eight on a side", []string{zone[0], zone[3]}, 152.73, 0},
		{"the four zone rules", zone, 91.75, 0},
		{"CUSUM", sums, 465, 0.02}, // e-Handbook 6.3.2.3.1, from memory
		// λ = 0.25, L = 2.998: Lucas and Saccucci, Technometrics 32 (1990) 1–12, from memory; ours is L = 3, with limits that widen at first.
		{"EWMA", []string{AverageSignal}, 500, 0.04},
	} {
		all := lengths(well, known, one.which)
		mean, _ := meanOf(all)
		by := one.length / math.Sqrt(float64(len(all))) // false alarms come as if at any time: their distances scatter by their mean
		t.Logf("well, %s: a false alarm every %.1f ± %.1f points; the table has %g", one.name, mean, by, one.length)
		if !(len(all) > 0 && math.Abs(mean-one.length) <= 5*by+one.about*one.length) {
			t.Errorf("%s: a false alarm every %.1f ± %.1f points, and the table has %g", one.name, mean, by, one.length)
		}
	}
}

// lengths are the points from one false alarm to the next, the chart begun anew after each.
func lengths(z []float64, known metrology.Limits, which []string) (all []float64) {
	w, n := newWatch(known), 0.0
	for _, v := range z {
		n++
		if _, found := w.add(v); tells(found, which) {
			all = append(all, n)
			w, n = newWatch(known), 0
		}
	}
	return all
}

// TestTheAverageTellsAStepInItsRunLength: λ = 0.25 and L = 3 tell a step of one standard deviation after 11.154 points, which stands as an
// example of Crowder's method (1987) in a public manual of statistical software; the limits are the steady ones there.
func TestTheAverageTellsAStepInItsRunLength(t *testing.T) {
	g, _ := seeded(t)
	var all []float64
	for range 4000 {
		e := metrology.EWMA{Lambda: AverageWeight, L: AverageWidth, Limits: metrology.Limits{Sigma: 1}}
		low, high := e.Steady()
		for n := 1.0; ; n++ {
			if v := e.Add(1 + g.NormFloat64()).Value; v < low || v > high {
				all = append(all, n)
				break
			}
		}
	}
	if mean, by := meanOf(all); math.Abs(mean-11.154267) > 5*by {
		t.Errorf("a step is told after %.3f ± %.3f points, and not 11.154", mean, by)
	}
}

// TestAYearWithLimitsOfItsOwn runs the same year as a lab has it: limits of the first points, which are off by chance. Run lengths of tables
// do not hold then; what has to hold is that faults are told, nearly all within three times of it, by one signal or another, and that a
// drift is forecast to the day that it comes to the limit, within what its scatter allows.
func TestAYearWithLimitsOfItsOwn(t *testing.T) {
	g, years := seeded(t)
	if years > 12 {
		years = 50
	}
	in, all := 0.0, 0.0
	var missed []string
	var off []float64
	for range years {
		for _, b := range yearOf(g) {
			if b.within == 0 {
				continue
			}
			s := only(t, Of(b.entries(min(yearDays, b.day+60)), nil, day(b.day+60)))
			first := slices.IndexFunc(s.Phases[0].Points[b.day:], func(p Point) bool { return len(p.Signals) > 0 })
			all++
			if first >= 0 && float64(first+1) <= 3*b.within {
				in++
			} else {
				missed = append(missed, fmt.Sprintf("%s after %d", b.name, first+1))
			}
			if b.name != "a drift" {
				continue
			}
			now := b.day + 30
			trend := only(t, Of(b.entries(now), nil, day(now))).Phases[0].Trend
			if !trend.Sure || trend.Reaches.IsZero() {
				t.Errorf("a drift of %g standard deviations a day is not sure after thirty days: %+v", slope, trend)
				continue
			}
			off = append(off, trend.Reaches.Sub(day(b.day)).Hours()/24-tolerance/sigma/slope)
		}
	}
	t.Logf("%.1f %% of %g faults told within three run lengths; not: %v", 100*in/all, all, missed)
	if share := in / all; share < 0.9 {
		t.Errorf("only %.1f %% of the faults are told within three run lengths: %v", 100*share, missed)
	}
	// The slope of thirty daily points has a standard error of σ/√2247; 75 days from its begin the line is off by 1.25 σ, 6.3 days.
	mean, by := meanOf(off)
	t.Logf("forecasts are off by %.1f ± %.1f days in the mean", mean, by)
	if math.Abs(mean) > 5*by+1 || slices.ContainsFunc(off, func(d float64) bool { return math.Abs(d) > 6*6.3 }) {
		t.Errorf("forecasts are off by %.1f ± %.1f days: %.1f", mean, by, off)
	}
}

// TestNoDriftWhereThereIsNone: thirty points that only scatter are a sure drift as seldom as Student's t with 28 degrees of freedom is
// beyond 3, 0.0056.
func TestNoDriftWhereThereIsNone(t *testing.T) {
	g, _ := seeded(t)
	sure, many := 0.0, 3000
	for range many {
		var p Phase
		for i := range trendOf {
			p.Points = append(p.Points, Point{At: day(i), X: g.NormFloat64(), Drawn: true})
		}
		if p.trend(kind{}, "g", time.Time{}, true); p.Trend.Sure {
			sure++
		}
	}
	if want := 0.0056 * float64(many); math.Abs(sure-want) > 5*math.Sqrt(want)+1 {
		t.Errorf("%g of %d are a sure drift, and %.1f are to be expected", sure, many, want)
	}
}
