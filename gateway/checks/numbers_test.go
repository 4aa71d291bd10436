package checks_test

import (
	"os"
	"strings"
	"testing"

	"weighpost/gateway/checks"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// certified is a weight with the conventional mass of its certificate.
func certified(t *testing.T, nominal, conventional, uncertainty string) checks.Weight {
	t.Helper()
	w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: "w-1", Nominal: record.Mass(nominal), Class: "E2",
		Conventional: record.Mass(conventional), Uncertainty: record.Mass(uncertainty), CoverageFactor: "2"}})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// TestAVerifiedLimitGoesByTheNominalLoad: a weight of 50 g that is worth a little more is no load beyond the step of Table 6 at 50 g
// (OIML R 76-1:2006, 3.5.1), and one of the capacity can be judged.
func TestAVerifiedLimitGoesByTheNominalLoad(t *testing.T) {
	def := checks.Definition{Measures: checks.Accuracy, Loads: []string{"50 g"}, Tolerance: checks.Tolerance{Verified: "initial"}}
	b := begin(t, def, checks.Streamed, certified(t, "50 g", "50.00003 g", "0.03 mg"))
	b.takes("0.0000")
	b.takes("50.0006") // off by 0.57 mg of 0.5 mg
	if r := result(t, b.ended(record.CheckFailed), "error at 50 g"); r.Limit != "0.0005 g" {
		t.Errorf("%+v", r)
	}
	f := facts(t) // class II with as many intervals as there may be: 100 000 e
	f.Class, f.Interval, f.Readability, f.Capacity, f.Balance.Capacity = "II", rat(t, "0.01"), rat(t, "0.01"), rat(t, "1000"), "1000 g"
	def.Loads = []string{"100 %"}
	run, err := checks.Open(complete(t, def), f, []checks.Weight{certified(t, "1000 g", "1000.0008 g", "1.6 mg")})
	if err != nil {
		t.Fatalf("a weight of the capacity that is worth 0.8 mg more cannot be judged: %v", err)
	}
	if d := run.Doubts(); len(d) != 0 {
		t.Error(d)
	}
}

// TestNothingIsRoundedBeforeItIsJudged: an error of 1.004 mg is printed as 0.00100 g and fails a limit of 1 mg; just on the limit it does not.
func TestNothingIsRoundedBeforeItIsJudged(t *testing.T) {
	for value, want := range map[string]string{"99.999996 g": record.CheckFailed, "100.000000 g": record.CheckWarned, "100.0003 g": record.CheckPassed, "100.000299 g": record.CheckWarned} {
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, checks.Streamed, certified(t, "100 g", value, "0.1 mg"))
		b.takes("0.0000")
		b.takes("100.0010") // by 100.0003 it is 0.7 mg, just the warning limit
		if r := result(t, b.ended(want), "error at 100 g"); r.Rounded != "half to even" || r.Value != "0.00100 g" && r.Value != "0.00070 g" {
			t.Errorf("%s: %+v", value, r)
		}
	}
}

// TestTheNetCountsAndNotWhatIsShown: with 0.3 mg on the empty pan, a reading that is right by itself is an error of −0.3 mg, in every kind of
// check.
func TestTheNetCountsAndNotWhatIsShown(t *testing.T) {
	for name, def := range map[string]checks.Definition{
		"error at 100 g":    {Measures: checks.Accuracy},
		"error of the span": {Measures: checks.Sensitivity},
		"error up to 100 g": {Measures: checks.Linearity},
	} {
		def.Loads, def.Tolerance = []string{"100 g"}, checks.Tolerance{Mass: "1 mg"}
		b := begin(t, def, checks.PrintKey, weights(t, "100 g")...)
		b.takes("0.0003")
		b.takes("100.0000")
		if r := result(t, b.ended(record.CheckPassed), name); r.Exact != "-0.0003" {
			t.Errorf("%+v", r)
		}
	}
}

// TestACoarseWeightIsDoubtedWhereverItsValueCounts: also where places of the pan are held to the limits of a verified balance.
func TestACoarseWeightIsDoubtedWhereverItsValueCounts(t *testing.T) {
	w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: "w-1", Nominal: "100 g", Class: "M1"}})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		limit   checks.Tolerance
		doubted bool
	}{{checks.Tolerance{Verified: "initial"}, true}, {checks.Tolerance{D: 5}, false}} {
		run, err := checks.Open(complete(t, checks.Definition{Use: "corners", Loads: []string{"100 g"}, Tolerance: c.limit}), facts(t), []checks.Weight{w})
		if err != nil {
			t.Fatal(err)
		}
		if got := run.Doubts()["w-1"]; (got != "") != c.doubted {
			t.Errorf("%+v: %q", c.limit, got)
		}
	}
}

// TestALightWeightIsSaid where USP <41> asks for 5 % of the capacity, 11 g of 220 g.
func TestALightWeightIsSaid(t *testing.T) {
	for load, said := range map[string]bool{"10 g": true, "11 g": false} {
		set := weights(t, "10 g", "1 g")
		b := begin(t, checks.Definition{Use: "one-weight", Loads: []string{load}}, checks.PrintKey, set...)
		b.takes("0.0000")
		b.takes(strings.TrimSuffix(load, " g") + ".0001")
		if r := result(t, b.ended(record.CheckPassed), "error at "+load); strings.Contains(r.From, "5 % of the capacity") != said {
			t.Errorf("%+v", r)
		}
	}
}

// TestAnErrorIsWrittenToThePlaceOfItsUncertainty (JCGM 100:2008, 7.2.6), in linearity too; its verdict is of the exact one.
func TestAnErrorIsWrittenToThePlaceOfItsUncertainty(t *testing.T) {
	w := certified(t, "100 g", "100.0004 g", "3 mg")
	b := begin(t, checks.Definition{Measures: checks.Linearity, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "10 mg"}, Uncertainty: true}, checks.PrintKey, w)
	b.takes("0.0000")
	b.takes("100.0029")
	// u = √(2·0.1²/12 + 1.5²) mg = 1.5006 mg, so that U = 3.0011 mg, and up.
	if r := result(t, b.ended(record.CheckPassed), "error up to 100 g"); !strings.HasPrefix(r.Uncertainty, "0.0031 g (k = 2") || r.Value != "0.0025 g" || r.Exact != "0.0025" || len(r.Budget) != 3 {
		t.Errorf("%+v", r)
	}
	for measures, d := range map[string]checks.Definition{"repeatability": {Use: "repeat-ten"}, "eccentricity": {Use: "corners"}} {
		d.Name, d.Uncertainty = "x", true
		d, err := d.Complete()
		if err != nil {
			t.Fatal(err)
		}
		report := strict.NewReport("checks")
		d.Check(report)
		if f := report.Faults(); len(f) != 1 || !strings.Contains(f[0].Error(), "says nothing for "+measures) {
			t.Errorf("%v", f)
		}
	}
}

// TestEachLimitIsTheSizeThatItSays holds the limits that a definition can say against sums done by hand, at 100 g on a balance of 0.1 mg.
func TestEachLimitIsTheSizeThatItSays(t *testing.T) {
	for want, limit := range map[string]checks.Tolerance{"0.05 g": {Percent: "0.05"}, "0.0012 g": {D: 12}, "0.1 g": {USP41: true}, "0.0003 g": {Mass: "0.3 mg"},
		"0.001 g": {Verified: "initial"}, "0.002 g": {Verified: "in-service"}} { // class I, e = 1 mg: 100 000 e, within 1 e
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: limit}, checks.PrintKey, weights(t, "100 g")...)
		b.takes("0.0000")
		b.takes("100.0000")
		if r := result(t, b.ended(record.CheckPassed), "error at 100 g"); r.Limit != want {
			t.Errorf("%+v: %+v", limit, r)
		}
	}
}

// TestAMinimumWeightIsRoundedUp to the readability: two readings of ten are 0.1 mg higher, so that s = d·√(8/45) and 2000 s = 84.327… mg.
func TestAMinimumWeightIsRoundedUp(t *testing.T) {
	b := begin(t, checks.Definition{Use: "minimum-weight", Loads: []string{"10 g"}}, checks.PrintKey, weights(t, "10 g")...)
	for i := range 10 {
		b.takes("0.0000")
		b.takes([]string{"10.0000", "10.0001"}[i/8])
	}
	e := b.ended(record.CheckPassed)
	if r := result(t, e, "minimum weight"); r.Value != "0.0844 g" || e.Minimum.Mass != "0.0844 g" || !strings.HasPrefix(r.Exact, "0.084327404271156782") {
		t.Errorf("%+v %+v", r, e.Minimum)
	}
}

// TestZeroAtTheEndIsLessTheZeroBefore: 0.2 mg at first and 0.5 mg at the end is 0.3 mg.
func TestZeroAtTheEndIsLessTheZeroBefore(t *testing.T) {
	b := begin(t, checks.Definition{Measures: checks.Linearity, Down: true, Loads: []string{"50 g", "100 g"}, Tolerance: checks.Tolerance{D: 20}}, checks.PrintKey, weights(t, "50 g", "100 g")...)
	for _, reading := range []string{"0.0002", "50.0002", "100.0002", "50.0002", "0.0005"} {
		b.takes(reading)
	}
	if r := result(t, b.ended(record.CheckPassed), "zero at the end"); r.Exact != "0.0003" {
		t.Errorf("%+v", r)
	}
}

// TestWeightsTogetherErrTogether adds up what weights that lie together are uncertain by, in mg, with 2·0.1²/12 for the readability:
// U = 0.30 and 0.12 with k = 2 are 0.15 + 0.06, so that it is 0.4279; where the small one has its class alone, 0.15 + 0.10/√3 for E2 give 0.4234,
// and 0.15 + 0.30/√3 for F1 0.6515; both by class, E2, (0.16 + 0.10)/√3 give 0.3111 (limits: OIML R 111-1, Table 1).
func TestWeightsTogetherErrTogether(t *testing.T) {
	two := func(of string, w ...checks.Weight) {
		t.Helper()
		w[1].ID = "w-2"
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"150 g"}, Tolerance: checks.Tolerance{Mass: "5 mg"}, Uncertainty: true}, checks.PrintKey, w...)
		b.takes("0.0000")
		b.takes("150.0000")
		if r := result(t, b.ended(record.CheckPassed), "error at 150 g"); len(r.Budget) != 3 || !strings.HasPrefix(r.Uncertainty, of) {
			t.Errorf("not %s: %+v", of, r)
		}
	}
	two("0.00043 g", certified(t, "100 g", "100.0000 g", "0.30 mg"), certified(t, "50 g", "50.0000 g", "0.12 mg"))
	two("0.00043 g", certified(t, "100 g", "100.0000 g", "0.30 mg"), weights(t, "50 g")[0])
	two("0.00066 g", certified(t, "100 g", "100.0000 g", "0.30 mg"), coarse(t, "50 g", "F1"))
	two("0.00032 g", weights(t, "100 g")[0], weights(t, "50 g")[0])
}

// coarse is a weight that only its class says something of.
func coarse(t *testing.T, nominal, class string) checks.Weight {
	t.Helper()
	w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: "w-2", Nominal: record.Mass(nominal), Class: class}})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// TestTheManualsExamples has the numbers that the manual works out by hand come out of the program, with its words around them.
func TestTheManualsExamples(t *testing.T) {
	page, err := os.ReadFile("../help/pages/checks.md")
	if err != nil {
		t.Fatal(err)
	}
	says := func(what string) {
		t.Helper()
		if !strings.Contains(string(page), what) {
			t.Errorf("the manual does not say %q", what)
		}
	}
	b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}, Uncertainty: true}, checks.PrintKey, certified(t, "100 g", "100.0003 g", "0.15 mg"))
	b.takes("0.0002")
	b.takes("100.0009")
	r := result(t, b.ended(record.CheckPassed), "error at 100 g")
	says("**Error: 100.0007 − 100.0003 = " + r.Exact + " g.**")
	says("70 % of 1 mg, 0.7 mg. 0.4 mg is not beyond it: **" + r.Verdict + "**")
	u, _, _ := strings.Cut(r.Uncertainty, " g")
	says("**" + u + " g**. The error is printed to the same place: " + r.Value + ".")
	if len(b.run.Doubts()) != 0 || r.Warn != "0.0007 g" {
		t.Errorf("%v %+v", b.run.Doubts(), r)
	}

	b = begin(t, checks.Definition{Use: "repeat-ten", Loads: []string{"10 g"}, Tolerance: checks.Tolerance{USP41: true, Smallest: "100 mg"}}, checks.PrintKey, weights(t, "10 g")...)
	for i := range 10 {
		b.takes("0.0000")
		b.takes([]string{"10.0000", "10.0001"}[i/8])
	}
	e := b.ended(record.CheckWarned)
	says("Mean: " + result(t, e, "mean").Value + ".")
	if s := result(t, e, "standard deviation of 10").Exact; !strings.HasPrefix(s, "0.00004216") || result(t, e, "2 s").Verdict != record.CheckWarned {
		t.Errorf("%s %+v", s, e)
	}
	says("**minimum weight " + string(e.Minimum.Mass) + "**")

	m, err := metrology.MinimumCG18(metrology.InUse{Alpha: rat(t, "0.00018"), Beta: rat(t, "0.0000011")}, rat(t, "0.001"), rat(t, "2"))
	if err != nil {
		t.Fatal(err)
	}
	says("**" + metrology.Exact(metrology.RoundUp(m.Mass, rat(t, "0.0000001"))) + " g**, rounded up")
}
