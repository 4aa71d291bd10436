package checks_test

import (
	"fmt"
	"math/big"
	"testing"
	"time"

	"weighpost/gateway/checks"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

func rat(t testing.TB, s string) *big.Rat {
	t.Helper()
	x, ok := new(big.Rat).SetString(s)
	if !ok {
		t.Fatalf("%q is no number", s)
	}
	return x
}

// bench is a simulated balance of 0.1 mg and 220 g, with a check under way on it.
type bench struct {
	t    *testing.T
	run  *checks.Run
	how  string
	now  time.Time
	all  []checks.Attempt
	flag string
}

func weights(t testing.TB, nominal ...string) (list []checks.Weight) {
	t.Helper()
	for i, n := range nominal {
		w, err := checks.NewWeight(record.WeightUsed{ReferenceWeight: record.ReferenceWeight{ID: fmt.Sprintf("w-%d", i+1), Set: "3", Nominal: record.Mass(n), Class: "E2"}})
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, w)
	}
	return list
}

func facts(t testing.TB) checks.Facts {
	return checks.Facts{Balance: record.Balance{ID: "b-12", Capacity: "220 g"}, Readability: rat(t, "0.0001"), Interval: rat(t, "0.001"), Capacity: rat(t, "220"), Class: "I"}
}

func complete(t testing.TB, d checks.Definition) checks.Definition {
	t.Helper()
	if d.Name == "" {
		d.Name = "routine"
	}
	d, err := d.Complete()
	if err != nil {
		t.Fatal(err)
	}
	r := strict.NewReport("checks")
	d.Check(r)
	if f := r.Faults(); len(f) > 0 {
		t.Fatal(f)
	}
	return d
}

func begin(t *testing.T, d checks.Definition, how string, chosen ...checks.Weight) *bench {
	t.Helper()
	run, err := checks.Open(complete(t, d), facts(t), chosen)
	if err != nil {
		t.Fatal(err)
	}
	b := &bench{t: t, run: run, how: how, now: time.Unix(1_800_000_000, 0), flag: "unknown"}
	for b.run.Instruction().Waiting == checks.ForAnswer {
		a, err := run.Answer(checks.Yes)
		if err != nil || len(a) != 1 {
			t.Fatal(err, a)
		}
		b.all = append(b.all, a...)
	}
	return b
}

// shows has the balance show a value once.
func (b *bench) shows(grams string) []checks.Attempt {
	b.t.Helper()
	b.now = b.now.Add(200 * time.Millisecond)
	x := rat(b.t, grams)
	a := b.run.Reading(checks.Reading{At: b.now, Grams: x, How: b.how, Frame: []byte(grams + " g\r\n"),
		Value: record.Value{Digits: x.FloatString(4), Unit: "g", Kind: "gross", Stability: b.flag, Range: "in"}})
	b.all = append(b.all, a...)
	return a
}

// rests has the balance show a value until a step is taken, and for long enough that it would be.
func (b *bench) rests(grams string) []checks.Attempt {
	b.t.Helper()
	n := 10
	if b.how == checks.PrintKey {
		n = 1
	}
	for range n {
		if a := b.shows(grams); len(a) > 0 {
			return a
		}
	}
	return nil
}

// takes has a value come to rest, and wants it taken.
func (b *bench) takes(grams string) {
	b.t.Helper()
	if a := b.rests(grams); len(a) != 1 || a[0].Became != record.AttemptTaken {
		b.t.Fatalf("%s was not taken: %+v; %+v", grams, a, b.run.Instruction())
	}
}

func (b *bench) ended(outcome string) *checks.Ended {
	b.t.Helper()
	e := b.run.Ended()
	if e == nil || e.Outcome != outcome {
		b.t.Fatalf("the check did not end as %s: %+v; next: %+v", outcome, e, b.run.Instruction())
	}
	return e
}

func result(t testing.TB, e *checks.Ended, name string) record.CheckResult {
	t.Helper()
	for _, r := range e.Results {
		if r.Name == name {
			return r
		}
	}
	t.Fatalf("there is no result %q: %+v", name, e.Results)
	return record.CheckResult{}
}

func faults(d checks.Definition) strict.Faults {
	r := strict.NewReport("checks")
	d.Check(r)
	return r.Faults()
}
