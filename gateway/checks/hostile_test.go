package checks_test

import (
	"strings"
	"testing"

	"weighpost/gateway/checks"
	"weighpost/gateway/record"
)

// TestNoLoadAboveCapacity is placed, not by a hundredth of it either.
func TestNoLoadAboveCapacity(t *testing.T) {
	d := checks.Definition{Measures: checks.Accuracy, Loads: []string{"221 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}
	if _, err := checks.Open(complete(t, d), facts(t), weights(t, "200 g", "20 g", "1 g")); err == nil || !strings.Contains(err.Error(), "above the capacity") {
		t.Errorf("221 g on a balance of 220 g: %v", err)
	}
	d.Loads = []string{"220 g"}
	if _, err := checks.Open(complete(t, d), facts(t), weights(t, "200 g", "20 g")); err != nil {
		t.Error(err)
	}
}

// TestReadingsThatCannotBeOfTheLoad are never taken: far below zero, huge, and the weight of another unit's digits.
func TestReadingsThatCannotBeOfTheLoad(t *testing.T) {
	for _, odd := range []string{"-100.0000", "0.1000", "100000.0000", "99999999999999999999999999999999.0000", "-0.0051"} {
		b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, checks.Streamed, weights(t, "100 g")...)
		b.takes("0.0000")
		for _, a := range b.rests(odd) {
			if a.Became != record.AttemptDoubted {
				t.Errorf("%s was %s", odd, a.Became)
			}
		}
	}
	b := begin(t, checks.Definition{Measures: checks.Accuracy, Loads: []string{"100 g"}, Tolerance: checks.Tolerance{Mass: "1 mg"}}, checks.Streamed, weights(t, "100 g")...)
	if a := b.rests("-50.0000"); a != nil {
		t.Errorf("-50 g was taken for an empty pan: %+v", a)
	}
}

// TestABalanceInPounds and weights in grams: what is judged is exact (1 lb is 453.59237 g by definition).
func TestABalanceInPounds(t *testing.T) {
	f := facts(t)
	f.Readability, f.Capacity = rat(t, "0.45359237"), rat(t, "4535.9237")
	d := checks.Definition{Measures: checks.Accuracy, Loads: []string{"2 kg"}, Tolerance: checks.Tolerance{D: 1}}
	run, err := checks.Open(complete(t, d), f, weights(t, "2 kg"))
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, run: run, how: checks.PrintKey, flag: "unknown"}
	b.takes("0")
	b.takes("2000.34235170") // 4.410 lb
	r := result(t, b.ended(record.CheckWarned), "error at 2000 g")
	if r.Exact != "0.3423517" || r.Limit != "0.45359237 g" {
		t.Errorf("%+v", r)
	}
}
