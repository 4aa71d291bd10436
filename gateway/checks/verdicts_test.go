package checks_test

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/checks"
	"weighpost/gateway/record"
)

// as has the balance show a value in another unit, or as another of its weights.
func (b *bench) as(grams, digits, unit, kind string) []checks.Attempt {
	b.t.Helper()
	n := 10
	if b.how == checks.PrintKey {
		n = 1
	}
	for range n {
		b.now = b.now.Add(200 * time.Millisecond)
		a := b.run.Reading(checks.Reading{At: b.now, Grams: rat(b.t, grams), How: b.how, Frame: []byte(digits),
			Value: record.Value{Digits: digits, Unit: unit, Kind: kind, Stability: b.flag, Range: "in"}})
		if b.all = append(b.all, a...); len(a) > 0 {
			return a
		}
	}
	return nil
}

// TestABalanceThatReadsInMilligrams is held against a weight of so many grams, and one of a kilogram's part: no digit is taken for another unit's.
func TestABalanceThatReadsInMilligrams(t *testing.T) {
	for _, nominal := range []string{"20 g", "0.02 kg"} {
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{nominal}, Tolerance: checks.Tolerance{Mass: "0.5 mg"}}, checks.PrintKey, weights(t, nominal)...)
		if a := b.as("0", "0.0", "mg", "unknown"); len(a) != 1 {
			t.Fatal(a)
		}
		if a := b.as("0.02", "20.0", "mg", "unknown"); len(a) != 0 {
			t.Fatalf("20 mg was taken for 20 g: %+v", a)
		}
		if a := b.as("20.0006", "20000.6", "mg", "unknown"); len(a) != 1 || a[0].Became != record.AttemptTaken || a[0].Expected != "20 g" {
			t.Fatalf("%+v", a)
		}
		if r := result(t, b.ended(record.CheckFailed), "error at 20 g"); r.Exact != "0.0006" || r.Limit != "0.0005 g" {
			t.Errorf("%s: %+v", nominal, r)
		}
	}
}

// TestASmallLoadIsNotTheEmptyPan: a load of few d is neither taken before it is placed, nor taken for the empty pan while it lies there still.
func TestASmallLoadIsNotTheEmptyPan(t *testing.T) {
	for _, load := range []string{"1 mg", "2 mg", "5 mg"} {
		b := begin(t, checks.Definition{Measures: checks.Repeatability, Times: 2, Loads: []string{load}, Tolerance: checks.Tolerance{D: 5}}, checks.Streamed, weights(t, load)...)
		b.takes("0.0000")
		if a := b.rests("0.0000"); a != nil {
			t.Fatalf("%s: the empty pan was taken for the load: %+v", load, a)
		}
		shown := map[string]string{"1 mg": "0.0010", "2 mg": "0.0021", "5 mg": "0.0049"}[load]
		b.takes(shown)
		if a := b.rests(shown); a != nil {
			t.Fatalf("%s lies there still, and was taken for the empty pan: %+v", load, a)
		}
		if i := b.run.Instruction(); i.Waiting != checks.ForZero || !strings.Contains(i.Note, shown+" g") {
			t.Errorf("%+v", i)
		}
		b.takes("0.0001")
	}
}

// TestAWeightOnThePanIsNotTheEmptyPan: while the empty pan is asked for, what lies there is said, and nothing is taken.
func TestAWeightOnThePanIsNotTheEmptyPan(t *testing.T) {
	for _, how := range kinds {
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, how, weights(t, "100 g")...)
		if a := b.rests("100.0000"); a != nil {
			t.Fatalf("%s: %+v", how, a)
		}
		if i := b.run.Instruction(); i.Waiting != checks.ForZero || !strings.Contains(i.Note, "100.0000 g, and its pan has to be empty") {
			t.Errorf("%s: %+v", how, i)
		}
		b.takes("0.0000")
		if i := b.run.Instruction(); i.Note != "" || i.Step != 2 {
			t.Errorf("%s: %+v", how, i)
		}
	}
}

// TestALoadIsNotTakenForItsNeighbour: where two loads are nearer to each other than a wrong weight is noticed, the one that lies there is not
// taken for the next.
func TestALoadIsNotTakenForItsNeighbour(t *testing.T) {
	for _, how := range kinds {
		b := begin(t, checks.Definition{Measures: checks.Linearity, Loads: []string{"100 g", "102 g"}, Down: true, Tolerance: checks.Tolerance{Mass: "1 mg"}}, how, weights(t, "100 g", "2 g")...)
		b.takes("0.0000")
		b.takes("100.0001")
		if a := b.rests("100.0001"); len(a) == 1 && a[0].Became == record.AttemptTaken {
			t.Fatalf("%s: what lay there was taken for the next load: %+v", how, a)
		} else if len(a) == 1 { // it is asked about, which is right
			if _, err := b.run.Confirm(false); err != nil {
				t.Fatal(err)
			}
			b.rests("0.0000")
		}
		b.takes("102.0001")
	}
	for _, loads := range [][]string{{"100 g", "100 g"}, {"100 g", "50 g"}} {
		d, err := checks.Definition{Name: "x", Measures: checks.Linearity, Loads: loads, Tolerance: checks.Tolerance{D: 1}}.Complete()
		if err != nil {
			t.Fatal(err)
		}
		if f := faults(d); len(f) != 1 || !strings.Contains(f[0].Error(), "rising") {
			t.Errorf("%v: %v", loads, f)
		}
	}
	if _, err := checks.Open(complete(t, checks.Definition{Use: "up-and-down"}), facts(t), weights(t, "50 g", "100 g")); err == nil || !strings.Contains(err.Error(), "Choose more weights") {
		t.Errorf("three loads that are the same 100 g: %v", err)
	}
}

// TestALightWeightIsNoLoadNearCapacity: 1 g does not stand in for 95 % of 220 g.
func TestALightWeightIsNoLoadNearCapacity(t *testing.T) {
	for nominal, fits := range map[string]bool{"1 g": false, "50 g": false, "100 g": true, "200 g": true} {
		_, err := checks.Open(complete(t, checks.Definition{Use: "span"}), facts(t), weights(t, nominal))
		if (err == nil) != fits || err != nil && !strings.Contains(err.Error(), "two fifths") {
			t.Errorf("%s: %v", nominal, err)
		}
	}
}

// TestABlockOfGrossTareAndNet is one reading: the lines that follow it are not taken for the empty pan or the next load.
func TestABlockOfGrossTareAndNet(t *testing.T) {
	for _, how := range kinds {
		b := begin(t, checks.Definition{Measures: checks.Repeatability, Times: 3, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{D: 5}}, how, weights(t, "100 g")...)
		block := func(grams string) (all []checks.Attempt) {
			for _, line := range [][2]string{{grams, "gross"}, {"0.0000", "tare"}, {grams, "net"}, {"0.0000", "preset tare"}} {
				all = append(all, b.as(line[0], line[0], "g", line[1])...)
			}
			return all
		}
		for i := range 3 {
			if a := block("0.0000"); len(a) != 1 || a[0].Name != "zero" || a[0].Value.Kind != "gross" {
				t.Fatalf("%s, zero %d: %+v", how, i+1, a)
			}
			if a := block("100.0001"); len(a) != 1 || a[0].Value.Kind != "gross" {
				t.Fatalf("%s, load %d: %+v", how, i+1, a)
			}
		}
		b.ended(record.CheckPassed)
		tare := begin(t, b.run.Definition(), how, weights(t, "100 g")...)
		if a := tare.as("0", "0.0000", "g", "tare"); a != nil {
			t.Errorf("%s: a tare was taken for the empty pan: %+v", how, a)
		}
		tare.takes("0.0000")
		if a := tare.as("100", "100.0000", "g", "net"); a != nil {
			t.Errorf("%s: a net weight after a gross zero: %+v", how, a)
		}
	}
}

// TestAKeyPressedTwice is not the next corner.
func TestAKeyPressedTwice(t *testing.T) {
	b := begin(t, checks.Definition{Use: "corners", Loads: []string{"100 g"}, Tolerance: checks.Tolerance{D: 5}}, checks.PrintKey, weights(t, "100 g")...)
	b.takes("0.0000")
	b.takes("100.0000")
	for range 4 {
		if a := b.shows("100.0000"); a != nil {
			t.Fatalf("0.2 to 0.8 s after the print of the centre: %+v", a)
		}
	}
	b.now = b.now.Add(5 * time.Second)
	b.takes("100.0001")
}

// TestAStoppedCheckHidesNoFailure: one that was stopped after it had found too much has failed, also where that reading was to be taken again and
// was not; one that had found nothing yet has no verdict.
func TestAStoppedCheckHidesNoFailure(t *testing.T) {
	def := checks.Definition{Measures: checks.Accuracy, Loads: []string{"50 g", "100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}
	open := func() *bench {
		b := begin(t, def, checks.Streamed, weights(t, "50 g", "100 g")...)
		b.takes("0.0000")
		return b
	}
	b := open()
	b.takes("50.0020")
	b.run.Stop("I will adjust it first")
	e := b.ended(record.CheckFailed)
	if r := result(t, e, "error at 50 g"); r.Exact != "0.002" || r.Verdict != record.CheckFailed || !strings.Contains(e.Reason, "I will adjust it first") || len(e.Results) != 1 {
		t.Errorf("%+v", e)
	}
	b = open()
	b.takes("50.0020")
	if _, err := b.run.Repeat("a draught"); err != nil {
		t.Fatal(err)
	}
	b.run.Stop("no time")
	b.ended(record.CheckFailed)
	again, err := checks.Open(complete(t, def), facts(t), weights(t, "50 g", "100 g"))
	if err != nil {
		t.Fatal(err)
	}
	var steps []*record.CheckStep
	for _, a := range b.all {
		e := a.Entry()
		steps = append(steps, &e)
	}
	replaced := *steps[len(steps)-1]
	replaced.Became, replaced.Reason = record.AttemptReplaced, "a draught"
	if err := again.Replay(append(steps, &replaced)); err != nil {
		t.Fatal(err)
	}
	again.Stop("the power went")
	if e := again.Ended(); e.Outcome != record.CheckFailed {
		t.Errorf("after a restart: %+v", e)
	}
	b = open()
	b.takes("50.0020")
	if _, err := b.run.Repeat("a draught"); err != nil {
		t.Fatal(err)
	}
	b.rests("0.0000")
	b.takes("50.0001")
	b.run.Stop("no time")
	b.ended(record.CheckAborted)

	corners := begin(t, checks.Definition{Use: "corners", Loads: []string{"100 g"}, Tolerance: checks.Tolerance{D: 5}}, checks.Streamed, weights(t, "100 g")...)
	corners.takes("0.0000")
	corners.takes("100.0030") // the centre by itself is no error of eccentricity
	corners.run.Stop("no time")
	corners.ended(record.CheckAborted)
}

// TestACoarseWeightForVerifiedCorners is doubted: each place is held against the weight's own value then.
func TestACoarseWeightForVerifiedCorners(t *testing.T) {
	w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: "w-1", Nominal: "100 g", Class: "M1"}})
	if err != nil {
		t.Fatal(err)
	}
	for verified, doubted := range map[string]bool{"initial": true, "": false} {
		d := checks.Definition{Use: "corners", Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Verified: verified}}
		if verified == "" {
			d.Tolerance.D = 5
		}
		run, err := checks.Open(complete(t, d), facts(t), []checks.Weight{w})
		if err != nil {
			t.Fatal(err)
		}
		if got := run.Doubts()["w-1"]; (got != "") != doubted {
			t.Errorf("%q: %q", verified, got)
		}
	}
}

// TestStepsWithoutAReadingAreNotReplayed: a journal that somebody wrote does not make the program fall over when it judges.
func TestStepsWithoutAReadingAreNotReplayed(t *testing.T) {
	def := complete(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}})
	for _, became := range []string{record.AttemptTaken, record.AttemptReplaced, record.AttemptAnswered} {
		run, err := checks.Open(def, facts(t), weights(t, "100 g"))
		if err != nil {
			t.Fatal(err)
		}
		if err := run.Replay([]*record.CheckStep{{Step: 1, Name: "zero", Attempt: 1, Became: became}, {Step: 2, Name: "100 g", Attempt: 1, Became: became}}); err == nil {
			t.Errorf("%s without a value was replayed", became)
		}
	}
}
