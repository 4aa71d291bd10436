package checks_test

import (
	"reflect"
	"strings"
	"testing"

	"weighpost/gateway/checks"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

var kinds = []string{checks.Streamed, checks.Polled, checks.PrintKey}

// TestOneWeight passes, warns and fails by the lab's tolerance, on each kind of balance.
func TestOneWeight(t *testing.T) {
	for _, how := range kinds {
		for reading, want := range map[string]string{"100.0002": record.CheckPassed, "99.9993": record.CheckPassed, "100.0008": record.CheckWarned, "99.9990": record.CheckWarned, "100.0011": record.CheckFailed, "99.9989": record.CheckFailed} {
			b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, how, weights(t, "100 g")...)
			b.takes("0.0000")
			b.takes(reading)
			e := b.ended(want)
			if r := result(t, e, "error at 100 g"); r.Limit != "0.001 g" || r.Warn != "0.0007 g" || r.Verdict != want || len(b.all) != 2 {
				t.Errorf("%s, %s: %+v, %d attempts", how, reading, r, len(b.all))
			}
		}
	}
}

// TestTheEmptyPanCounts takes the reading of the empty pan off, and the certificate's value instead of the nominal one.
func TestTheEmptyPanCounts(t *testing.T) {
	w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: "w-1", Nominal: "100 g", Class: "F1", Conventional: "100.0003 g", Uncertainty: "0.15 mg", CoverageFactor: "2"}})
	if err != nil {
		t.Fatal(err)
	}
	b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}, Uncertainty: true}, checks.Streamed, w)
	b.takes("0.0002")
	b.takes("100.0009")
	r := result(t, b.ended(record.CheckPassed), "error at 100 g")
	// 100.0009 − 0.0002 − 100.0003; the uncertainty is 2·√(2·0.1²/12 + 0.075²) mg = 0.1708 mg, and rounded up.
	if r.Value != "0.00040 g" || r.Exact != "0.0004" || !strings.HasPrefix(r.Uncertainty, "0.00018 g") {
		t.Errorf("%+v", r)
	}
}

// TestRepeatability finds the standard deviation and the minimum weight of USP <41> of ten weighings, and says so of fewer.
func TestRepeatability(t *testing.T) {
	b := begin(t, checks.Definition{Use: "repeat-ten", Loads: []string{"10 g"}, Tolerance: checks.Tolerance{USP41: true, Smallest: "500 mg"}}, checks.Streamed, weights(t, "10 g")...)
	for _, reading := range []string{"10.0003", "9.9997", "10.0003", "9.9997", "10.0000", "10.0000", "10.0000", "10.0000", "10.0000", "10.0000"} {
		b.takes("0.0000")
		b.takes(reading)
	}
	e := b.ended(record.CheckWarned) // 0.4 mg of 0.5 mg is above 70 %
	if r := result(t, e, "2 s"); r.Value != "0.000400 g" || r.Limit != "0.0005 g" || e.Minimum == nil || e.Minimum.Mass != "0.4000 g" {
		t.Errorf("%+v %+v", r, e.Minimum)
	}
	few := begin(t, checks.Definition{Use: "repeat-five", Loads: []string{"10 g"}, Tolerance: checks.Tolerance{USP41: true, Smallest: "100 mg"}}, checks.PrintKey, weights(t, "10 g")...)
	for range 5 {
		few.takes("0.0000")
		few.takes("10.0000")
	}
	e = few.ended(record.CheckWarned) // s is 0, and taken as 0.041 mg: 0.082 mg of 0.1 mg
	if r := result(t, e, "2 s, with s taken as 0.41 d"); !strings.Contains(r.From, "these are 5") || e.Minimum != nil {
		t.Errorf("%+v %+v", r, e.Minimum)
	}
}

// TestEccentricityWaitsForTheWeightToMove takes no second reading of a weight that has not left the pan.
func TestEccentricityWaitsForTheWeightToMove(t *testing.T) {
	b := begin(t, checks.Definition{Use: "corners", Loads: []string{"100 g"}, Tolerance: checks.Tolerance{D: 5}}, checks.Streamed, weights(t, "100 g")...)
	b.takes("0.0000")
	b.takes("100.0000")
	if a := b.rests("100.0000"); a != nil || b.run.Instruction().Waiting != checks.ForLift {
		t.Fatalf("the weight was not moved: %+v", a)
	}
	for _, reading := range []string{"100.0001", "99.9998", "100.0006", "100.0003"} {
		b.rests("0.0000")
		b.takes(reading)
	}
	e := b.ended(record.CheckFailed)
	if r := result(t, e, "back right less centre"); r.Verdict != record.CheckFailed || r.Exact != "0.0006" {
		t.Errorf("%+v", r)
	}
	if r := result(t, e, "back left less centre"); r.Verdict != record.CheckPassed {
		t.Errorf("%+v", r)
	}
}

// TestLinearityUpAndDown makes loads of several weights, and takes each on the way down too.
func TestLinearityUpAndDown(t *testing.T) {
	b := begin(t, checks.Definition{Use: "up-and-down", Loads: []string{"50 g", "100 g", "150 g"}, Tolerance: checks.Tolerance{Verified: "in-service"}}, checks.Streamed, weights(t, "50 g", "100 g")...)
	for _, reading := range []string{"0.0000", "50.0001", "100.0004", "150.0003", "100.0003", "50.0001", "0.0001"} {
		b.takes(reading)
	}
	e := b.ended(record.CheckPassed)
	if r := result(t, e, "error up to 100 g"); r.Limit != "0.002 g" || !strings.Contains(r.From, "3.5.2") {
		t.Errorf("%+v", r)
	}
	if r := result(t, e, "zero at the end"); r.Exact != "0.0001" || r.Verdict != record.NotJudged {
		t.Errorf("%+v", r)
	}
}

// TestTheWrongWeight is asked about, and taken only at the person's word; every attempt is there.
func TestTheWrongWeight(t *testing.T) {
	for _, how := range kinds {
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, how, weights(t, "100 g")...)
		b.takes("0.0000")
		if a := b.rests("50.0001"); len(a) != 1 || a[0].Became != record.AttemptDoubted || b.run.Instruction().Waiting != checks.ForConfirm {
			t.Fatalf("%s: 50 g in place of 100 g: %+v %+v", how, a, b.run.Instruction())
		}
		if a := b.rests("100.0000"); a != nil {
			t.Fatalf("%s: while it is asked, something was taken: %+v", how, a)
		}
		if _, err := b.run.Confirm(false); err != nil {
			t.Fatal(err)
		}
		if how != checks.PrintKey {
			if a := b.rests("50.0001"); a != nil {
				t.Fatalf("%s: the wrong weight lies there still, and: %+v", how, a)
			}
			b.rests("0.0000")
		}
		b.takes("100.0001")
		b.ended(record.CheckPassed)
		if len(b.all) != 3 || b.all[2].Number != 2 {
			t.Errorf("%s: %+v", how, b.all)
		}
		again := begin(t, b.run.Definition(), how, weights(t, "100 g")...)
		again.takes("0.0000")
		again.rests("90.0000")
		if a, err := again.run.Confirm(true); err != nil || len(a) != 1 || a[0].Reason == "" {
			t.Fatal(err, a)
		}
		again.ended(record.CheckFailed)
	}
}

// TestWhatIsNotAtRestIsNotTaken: not while it moves, not while the balance says that it moves, not for less than the time.
func TestWhatIsNotAtRestIsNotTaken(t *testing.T) {
	b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, checks.Streamed, weights(t, "100 g")...)
	b.takes("0.0000")
	for _, reading := range []string{"99.9990", "99.9995", "99.9998", "100.0000", "99.9997", "100.0000", "99.9997", "100.0001"} {
		if a := b.shows(reading); a != nil {
			t.Fatalf("taken while it moves: %+v", a)
		}
	}
	b.flag = "unstable"
	if a := b.rests("100.0000"); a != nil {
		t.Fatalf("taken although the balance says that it moves: %+v", a)
	}
	b.flag = "stable"
	for i := range 5 {
		if a := b.shows("100.0000"); a != nil {
			t.Fatalf("taken after %d readings in %d ms", i+1, i*200)
		}
	}
	if a := b.shows("100.0000"); len(a) != 1 || a[0].Settled != "flag" {
		t.Fatalf("%+v", a)
	}
	key := begin(t, b.run.Definition(), checks.PrintKey, weights(t, "100 g")...)
	key.takes("0.0000")
	key.flag = "unstable"
	if a := key.rests("100.0000"); a != nil {
		t.Fatalf("an unstable print was taken: %+v", a)
	}
	key.flag = "unknown"
	if a := key.rests("0.0001"); a != nil || !strings.Contains(key.run.Instruction().Note, "0.0001 g") {
		t.Fatalf("a print of the empty pan: %+v %+v", a, key.run.Instruction())
	}
}

// TestRepeatingIsBounded keeps what is replaced, and allows no more than the definition.
func TestRepeatingIsBounded(t *testing.T) {
	b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"50 g", "100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, checks.Streamed, weights(t, "50 g", "100 g")...)
	b.takes("0.0000")
	b.takes("50.0008")
	if _, err := b.run.Repeat(" "); err == nil {
		t.Error("a step is done again without a reason")
	}
	a, err := b.run.Repeat("somebody leant on the table")
	if err != nil || len(a) != 1 || a[0].Became != record.AttemptReplaced || a[0].Value.Digits != "50.0008" {
		t.Fatal(err, a)
	}
	if a := b.rests("50.0008"); a != nil {
		t.Fatalf("what lies there still was taken again: %+v", a)
	}
	b.rests("0.0000")
	b.takes("50.0001")
	if _, err := b.run.Repeat("once more"); err == nil {
		t.Error("a step is done again twice, and once is allowed")
	}
	b.takes("0.0000")
	b.takes("100.0000")
	e := b.ended(record.CheckPassed)
	if r := result(t, e, "error at 50 g"); r.Exact != "0.0001" {
		t.Errorf("%+v", r)
	}
}

// TestACutOffCheckGoesOn rebuilds a check from what was recorded at every moment of it, and ends it the same.
func TestACutOffCheckGoesOn(t *testing.T) {
	def := checks.Definition{Use: "span", Loads: []string{"200 g"}}
	b := begin(t, def, checks.Streamed, weights(t, "200 g")...)
	b.takes("0.0000")
	b.rests("150.0000") // doubted
	if _, err := b.run.Confirm(false); err != nil {
		t.Fatal(err)
	}
	b.rests("0.0000")
	b.takes("200.0003")
	want := b.ended(record.CheckPassed)
	var recorded []*record.CheckStep
	for _, a := range b.all {
		e := a.Entry()
		recorded = append(recorded, &e)
	}
	for n := range len(recorded) + 1 {
		again, err := checks.Open(complete(t, def), facts(t), weights(t, "200 g"))
		if err != nil {
			t.Fatal(err)
		}
		if err := again.Replay(recorded[:n]); err != nil {
			t.Fatal(err)
		}
		c := &bench{t: t, run: again, how: checks.Streamed, now: b.now, flag: "unknown"}
		for again.Instruction().Waiting == checks.ForAnswer {
			if _, err := again.Answer(checks.Yes); err != nil {
				t.Fatal(err)
			}
		}
		if i := again.Instruction(); i.Waiting == checks.ForZero {
			c.takes("0.0000")
		}
		if again.Ended() == nil {
			c.takes("200.0003")
		}
		if got := c.ended(record.CheckPassed); !reflect.DeepEqual(got.Results[0], want.Results[0]) {
			t.Errorf("after %d entries: %+v, not %+v", n, got.Results[0], want.Results[0])
		}
	}
}

// TestLostAndStopped has a lost balance leave what was taken, and a stopped check have no verdict.
func TestLostAndStopped(t *testing.T) {
	b := begin(t, checks.Definition{Use: "one-weight", Loads: []string{"100 g"}}, checks.Streamed, weights(t, "100 g")...)
	b.takes("0.0000")
	b.shows("100.0000")
	b.run.Lost()
	if i := b.run.Instruction(); i.Note == "" || i.Step != 5 {
		t.Errorf("%+v", i)
	}
	b.run.Heard()
	b.takes("100.0000")
	b.ended(record.CheckPassed)

	b = begin(t, checks.Definition{Use: "one-weight", Loads: []string{"100 g"}}, checks.Streamed, weights(t, "100 g")...)
	b.run.Stop("the power went")
	if e := b.ended(record.CheckAborted); e.Reason != "the power went" || len(e.Results) != 0 {
		t.Errorf("%+v", e)
	}
	if a := b.rests("0.0000"); a != nil {
		t.Errorf("taken after the end: %+v", a)
	}
	run, err := checks.Open(complete(t, checks.Definition{Use: "one-weight"}), facts(t), weights(t, "100 g"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := run.Answer(checks.No); err != nil || run.Ended().Outcome != record.CheckAborted {
		t.Errorf("%v %+v", err, run.Ended())
	}
}

// TestUnsuitableWeights are named: too coarse, or of unknown exactness; where only the scatter counts, it does not matter.
func TestUnsuitableWeights(t *testing.T) {
	coarse := func(class string) []checks.Weight {
		w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: "w-1", Nominal: "100 g", Class: class}})
		if err != nil {
			t.Fatal(err)
		}
		return []checks.Weight{w}
	}
	for class, want := range map[string]string{"E2": "", "M1": "more than a third", "": "how exact"} {
		run, err := checks.Open(complete(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}), facts(t), coarse(class))
		if err != nil {
			t.Fatal(err)
		}
		if got := run.Doubts()["w-1"]; (want == "") != (got == "") || !strings.Contains(got, want) {
			t.Errorf("class %q: %q", class, got)
		}
		if run, err = checks.Open(complete(t, checks.Definition{Use: "repeat-ten", Loads: []string{"100 g"}}), facts(t), coarse(class)); err != nil || len(run.Doubts()) != 0 {
			t.Errorf("class %q: %v %v", class, err, run.Doubts())
		}
	}
}

// TestWhatCannotBegin is refused with a sentence.
func TestWhatCannotBegin(t *testing.T) {
	def := checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}
	unknown := facts(t)
	unknown.Readability = nil
	if _, err := checks.Open(complete(t, def), unknown, weights(t, "100 g")); err == nil || !strings.Contains(err.Error(), "readability") {
		t.Error(err)
	}
	if _, err := checks.Open(complete(t, def), facts(t), weights(t, "50 g")); err == nil || !strings.Contains(err.Error(), "50 g is missing") {
		t.Error(err)
	}
	def.Loads = []string{"500 g"}
	if _, err := checks.Open(complete(t, def), facts(t), weights(t, "500 g")); err == nil || !strings.Contains(err.Error(), "above the capacity") {
		t.Error(err)
	}
	def.Loads, def.Tolerance = []string{"100 g"}, checks.Tolerance{Verified: "initial"}
	unverified := facts(t)
	unverified.Class = ""
	if _, err := checks.Open(complete(t, def), unverified, weights(t, "100 g")); err == nil || !strings.Contains(err.Error(), "accuracy class") {
		t.Error(err)
	}
}

// TestDefinitions finds every mistake in a definition, and takes every ready-made one.
func TestDefinitions(t *testing.T) {
	for _, name := range checks.Ready() {
		complete(t, checks.Definition{Name: name, Use: name})
	}
	seven := 7
	for want, d := range map[string]checks.Definition{
		"measures":           {Name: "x", Measures: "weight", Loads: []string{"1 g"}},
		"loads":              {Name: "x", Measures: checks.Sensitivity, Loads: []string{"1 g", "2 g"}, Tolerance: checks.Tolerance{D: 1}},
		"loads[0]":           {Name: "x", Measures: checks.Sensitivity, Loads: []string{"much"}, Tolerance: checks.Tolerance{D: 1}},
		"tolerance":          {Name: "x", Measures: checks.Accuracy, Loads: []string{"1 g"}, Tolerance: checks.Tolerance{D: 1, Percent: "1"}},
		"name":               {Name: "X x", Measures: checks.Accuracy, Loads: []string{"1 g"}, Tolerance: checks.Tolerance{D: 1}},
		"repeats":            {Name: "x", Repeats: &seven, Measures: checks.Accuracy, Loads: []string{"1 g"}, Tolerance: checks.Tolerance{D: 1}},
		"positions":          {Name: "x", Measures: checks.Eccentricity, Loads: []string{"1 g"}, Tolerance: checks.Tolerance{D: 1}},
		"times":              {Name: "x", Measures: checks.Repeatability, Times: 1, Loads: []string{"1 g"}, Tolerance: checks.Tolerance{D: 1}},
		"tolerance.smallest": {Name: "x", Use: "repeat-ten", Tolerance: checks.Tolerance{USP41: true}},
	} {
		d, err := d.Complete()
		if err != nil {
			t.Fatal(err)
		}
		r := strict.NewReport("checks")
		d.Check(r)
		if f := r.Faults(); len(f) != 1 || !strings.Contains(f[0].Error(), want) {
			t.Errorf("%s: %v", want, f)
		}
	}
	a, b := complete(t, checks.Definition{Use: "span"}), complete(t, checks.Definition{Use: "span", DoubtAt: 6})
	if a.Hash() == b.Hash() || a.Hash() != complete(t, checks.Definition{Use: "span"}).Hash() {
		t.Error("the hash of a definition does not tell it from another")
	}
}
