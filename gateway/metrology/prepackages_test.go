package metrology_test

import (
	"math"
	"math/big"
	"strconv"
	"testing"

	"weighpost/gateway/metrology"
)

func whole(t testing.TB, s string) int {
	t.Helper()
	n, err := strconv.Atoi(s)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// TestTolerableDeficiency holds each step of the table at both ends, and the rounding that its footnote asks for.
func TestTolerableDeficiency(t *testing.T) {
	rows := table(t, "prepackage_deficiencies.csv")
	for _, row := range rows {
		for _, nominal := range []*big.Rat{new(big.Rat).Add(r(t, row["above"]), r(t, "1")), r(t, row["up_to"])} {
			want := new(big.Rat)
			if row["amount"] != "" {
				want = r(t, row["amount"])
			} else {
				step := r(t, "0.1")
				if nominal.Cmp(r(t, "1000")) > 0 {
					step = r(t, "1")
				}
				exact := new(big.Rat).Mul(nominal, new(big.Rat).Quo(r(t, row["percent"]), r(t, "100")))
				want = metrology.RoundUp(exact, step)
			}
			if got, err := metrology.TolerableDeficiency(nominal); err != nil || got.Cmp(want) != 0 {
				t.Errorf("%s g: %v %v, not %s", nominal.RatString(), got, err, want.FloatString(2))
			}
		}
	}
	if len(rows) != 9 {
		t.Errorf("%d steps", len(rows))
	}
	for nominal, want := range map[string]string{"36": "3.3", "175": "7.9", "333": "10.0", "1250": "19", "12345": "150", "15100": "151"} { // by hand
		if got, err := metrology.TolerableDeficiency(r(t, nominal)); err != nil || got.Cmp(r(t, want)) != 0 {
			t.Errorf("%s g: %v %v, not %s", nominal, got, err, want)
		}
	}
	for _, nominal := range []string{"0", "-1", "50001"} {
		if got, err := metrology.TolerableDeficiency(r(t, nominal)); err == nil {
			t.Errorf("%s g: %v", nominal, got)
		}
	}
}

// TestPackagePlans holds every plan at both ends of its lots, and every factor against what it follows from: t(0.995)/√n, and in New Zealand
// times √(1 − n/N) at the largest lot of the row.
func TestPackagePlans(t *testing.T) {
	seen := map[string]bool{}
	for _, row := range table(t, "prepackage_plans.csv") {
		seen[row["plan"]] = true
		lots := []int{whole(t, row["lot_from"]), 1_000_000}
		if row["lot_to"] != "" {
			lots[1] = whole(t, row["lot_to"])
		}
		for _, lot := range lots {
			p, err := metrology.PackagePlanFor(row["plan"], lot)
			if err != nil || p.Sample != whole(t, row["sample"]) || p.Allowed != whole(t, row["allowed"]) || p.Factor.Cmp(r(t, row["factor"])) != 0 {
				t.Errorf("%s, lot of %d: %+v %v", row["plan"], lot, p, err)
			}
		}
		n := f64(t, row["sample"])
		factor := studentQuantile(0.995, n-1) / math.Sqrt(n)
		if row["plan"] == metrology.PlanNewZealand {
			factor *= math.Sqrt(1 - n/float64(lots[1]))
		}
		within(t, row["plan"]+", lot to "+row["lot_to"], factor, f64(t, row["factor"]), 6e-4)
	}
	if len(seen) != len(metrology.PackagePlans()) {
		t.Errorf("%d plans in the table, %d in the program", len(seen), len(metrology.PackagePlans()))
	}
	for name, lot := range map[string]int{metrology.PlanR87: 99, metrology.PlanDestructive: 99, metrology.PlanNewZealand: 12, "mine": 500} {
		if p, err := metrology.PackagePlanFor(name, lot); err == nil {
			t.Errorf("%s, lot of %d: %+v", name, lot, p)
		}
	}
}

// studentQuantile is the p-quantile of Student's distribution, by integrating its density: slow, plain, and no part of the program.
func studentQuantile(p, freedom float64) float64 {
	top, _ := math.Lgamma((freedom + 1) / 2)
	bottom, _ := math.Lgamma(freedom / 2)
	scale := math.Exp(top-bottom) / math.Sqrt(freedom*math.Pi)
	density := func(x float64) float64 { return scale * math.Pow(1+x*x/freedom, -(freedom+1)/2) }
	below := func(x float64) float64 { // Simpson's rule from 0
		const steps = 2000
		h, sum := x/steps, density(0)+density(x)
		for i := 1; i < steps; i++ {
			sum += density(float64(i)*h) * float64(2+2*(i%2))
		}
		return 0.5 + sum*h/3
	}
	low, high := 0.0, 20.0
	for range 60 {
		if middle := (low + high) / 2; below(middle) < p {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// TestPackagesOfTheGuide holds the examples of the Australian guide to the average quantity system (industry.gov.au, table 3): butter and
// sugar pass, wine and potatoes fail by one package that is short by more than twice T. The guide prints no standard deviation: the averages are
// above the nominal quantity, so that none matters.
func TestPackagesOfTheGuide(t *testing.T) {
	rows := table(t, "prepackage_cases.csv")
	for _, row := range rows {
		plan, err := metrology.PackagePlanFor(metrology.PlanR87, whole(t, row["lot"]))
		if err != nil || plan.Sample != whole(t, row["sample"]) {
			t.Fatal(row["product"], plan, err)
		}
		p, err := metrology.JudgePackages(plan, r(t, row["nominal_g"]), r(t, row["mean_g"]), r(t, "0"), whole(t, row["t1"]), whole(t, row["t2"]))
		if err != nil || p.Passes != (row["passes"] == "yes") || !p.AveragePasses {
			t.Errorf("%s: %+v %v", row["product"], p, err)
		}
		if row["t_printed_g"] != "" && p.T.Cmp(r(t, row["t_printed_g"])) != 0 {
			t.Errorf("%s: T is %s", row["product"], p.T.FloatString(1))
		}
		t.Logf("%s: sample of %d, T %s, passes: %v", row["product"], p.N, p.T.FloatString(1), p.Passes)
	}
	if len(rows) != 4 {
		t.Errorf("%d examples", len(rows))
	}
}

// TestPackagesAtTheEdge holds a sample of twenty at the edges of T, of 2T and of the average.
func TestPackagesAtTheEdge(t *testing.T) {
	plan, err := metrology.PackagePlanFor(metrology.PlanDestructive, 1000)
	if err != nil {
		t.Fatal(err)
	}
	sample := func(others string, first ...string) (q []*big.Rat) { // nominal 500 g: T is 15 g
		for _, s := range first {
			q = append(q, r(t, s))
		}
		for len(q) < plan.Sample {
			q = append(q, r(t, others))
		}
		return q
	}
	for name, c := range map[string]struct {
		q      []*big.Rat
		t1, t2 int
		passes bool
	}{
		"all nominal":              {sample("500"), 0, 0, true},
		"short by T":               {sample("502", "485"), 0, 0, true},
		"one short by a step more": {sample("502", "484.999"), 1, 0, true},
		"two short by a step more": {sample("502", "484.999", "484.999"), 2, 0, false},
		"short by 2T":              {sample("502", "470"), 1, 0, true},
		"short by a step over 2T":  {sample("502", "469.999"), 0, 1, false},
		"all a step below nominal": {sample("499.999"), 0, 0, false},
		"mean just low enough":     {sample("499.9", "500.3"), 0, 0, false}, // mean 499.92, s 0.0894: 499.977
		"mean within the factor":   {sample("499.99", "500.1"), 0, 0, true}, // mean 499.9955, s 0.0246: 500.011
	} {
		p, err := metrology.CheckPackages(plan, r(t, "500"), c.q)
		if err != nil || p.T1 != c.t1 || p.T2 != c.t2 || p.Passes != c.passes {
			t.Errorf("%s: T1 %d, T2 %d, weighted %v, passes %v: %v", name, p.T1, p.T2, p.Weighted.FloatString(4), p.Passes, err)
		}
	}
	if _, err := metrology.CheckPackages(plan, r(t, "500"), sample("500")[:19]); err == nil {
		t.Error("nineteen packages")
	}
	if _, err := metrology.JudgePackages(plan, r(t, "500"), r(t, "500"), r(t, "1"), 20, 1); err == nil {
		t.Error("more short packages than there are")
	}
}

// TestDoublePlan holds the plan of Directive 76/211/EEC, annex II, 2.2.1, at each of its numbers (legislation.gov.uk/eudr/1976/211).
func TestDoublePlan(t *testing.T) {
	for _, c := range []struct {
		lots                              [2]int
		each, accept1, reject1, acc2, rej int
	}{
		{[2]int{100, 500}, 30, 1, 3, 4, 5}, {[2]int{501, 3200}, 50, 2, 5, 6, 7}, {[2]int{3201, 10_000}, 80, 3, 7, 8, 9},
	} {
		for _, lot := range c.lots {
			hold := func(first, second int, want metrology.Verdict) {
				t.Helper()
				if v, each, err := metrology.DoublePlan(lot, first, second); err != nil || v != want || each != c.each {
					t.Errorf("lot of %d, %d and %d: %s of %d %v, not %s", lot, first, second, v, each, err, want)
				}
			}
			hold(c.accept1, -1, metrology.Accepted)
			hold(c.reject1, -1, metrology.Rejected)
			hold(c.accept1+1, -1, metrology.TakeMore)
			hold(c.reject1-1, -1, metrology.TakeMore)
			hold(c.accept1+1, c.acc2-c.accept1-1, metrology.Accepted)
			hold(c.accept1+1, c.rej-c.accept1-1, metrology.Rejected)
		}
	}
	for lot, want := range map[int]struct {
		n int
		f string
	}{100: {30, "0.503"}, 500: {30, "0.503"}, 501: {50, "0.379"}, 10_000: {50, "0.379"}} {
		n, f, err := metrology.AverageEEC(lot)
		if err != nil || n != want.n || f.Cmp(r(t, want.f)) != 0 {
			t.Errorf("lot of %d: %d %v %v", lot, n, f, err)
			continue
		}
		within(t, "factor", studentQuantile(0.995, float64(n-1))/math.Sqrt(float64(n)), f64(t, want.f), 6e-4)
	}
	if _, _, err := metrology.DoublePlan(99, 0, -1); err == nil {
		t.Error("a lot of 99")
	}
	if _, _, err := metrology.DoublePlan(100, 31, -1); err == nil {
		t.Error("31 of 30")
	}
	if _, _, err := metrology.AverageEEC(99); err == nil {
		t.Error("a lot of 99")
	}
}
