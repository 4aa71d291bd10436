package checks_test

import (
	"strings"
	"testing"

	"weighpost/gateway/checks"
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
