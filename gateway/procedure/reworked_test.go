package procedure

import (
	"math/big"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"weighpost/gateway/record"
)

// spilt leaves the n-th weighing that counts out, from 1.
func (l *lab) spilt(n ...int) Changes {
	c := Changes{Excluded: map[string]string{}}
	for _, i := range n {
		c.Excluded[l.taken()[i-1]] = "spilt"
	}
	return c
}

func (l *lab) readAs(n int, digits, unit string) Changes {
	return Changes{Values: map[string]record.Value{l.taken()[n-1]: {Digits: digits, Unit: unit, Kind: "gross", Stability: "stable", Range: "in"}}}
}

func resultOf(t *testing.T, f Found, name string) record.RunResult {
	t.Helper()
	for _, one := range f.Results {
		if one.Name == name {
			return one
		}
	}
	t.Fatalf("there is no result %s", name)
	return record.RunResult{}
}

// TestWithoutABlunderTheCertifiedFiguresAreBack: fifty measurements, and a blunder somewhere among them. Once the blunder is left out, mean and
// standard deviation are those that the National Institute of Standards and Technology certifies for the fifty (Statistical Reference Datasets,
// univariate summary statistics, Mavro; the file with its source is testdata/README.md of gateway/metrology).
func TestWithoutABlunderTheCertifiedFiguresAreBack(t *testing.T) {
	text, err := os.ReadFile("../metrology/testdata/strd/Mavro.csv")
	if err != nil {
		t.Fatal(err)
	}
	values := strings.Fields(string(text))[1:]
	r, seed := random(t)
	at := r.IntN(len(values) + 1)
	values = slices.Insert(values, at, "20.0184")
	l := begin(t, `
procedure: t
title: T
about: nothing
blocks:
- {name: fifty, times: "51"}
steps:
- {step: m, do: weigh, in: fifty}
- {step: average, do: compute, formula: mean(m), limits: {from: none}}
- {step: scatter, do: compute, formula: sd(m), limits: {from: none}}
- {step: many, do: compute, formula: count(m), limits: {from: none}}
results: [average, scatter, many]
`, nil)
	l.fresh = false
	for _, digits := range values {
		l.weigh(digits + " g")
	}
	l.waits(ForEnd, "")
	f, worked := l.anew(l.spilt(at + 1))
	for name, certified := range map[string]string{"average": "2.00185600000000", "scatter": "0.000429123454003053", "many": "50"} {
		got := resultOf(t, f, name)
		exact, _, _ := strings.Cut(got.Exact, " ")
		off := new(big.Rat).Sub(rat(strings.TrimSuffix(exact, "…")), rat(certified))
		_, after, _ := strings.Cut(certified, ".")
		half := new(big.Rat).Quo(rat("0.5"), new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(len(after))), nil)))
		if off.Abs(off).Cmp(half) > 0 {
			t.Errorf("%s is %s, and certified is %s", name, got.Exact, certified)
		}
		t.Logf("seed %d, blunder in pass %d: %s is %s, certified %s", seed, at+1, name, got.Exact, certified)
	}
	out := worked[1].Worked.Excluded
	if want := "m " + strconv.Itoa(at+1) + ": 20.0184 g, since its weighing is not used: spilt"; len(out) != 1 || out[0] != want {
		t.Errorf("left out: %q, want %q", out, want)
	}
	if f.Verdict != record.CheckWarned || len(f.Weighings) != 50 || len(f.Unused) != 1 {
		t.Errorf("%s, %d weighings, %d unused", f.Verdict, len(f.Weighings), len(f.Unused))
	}
}

const pairs = `
procedure: t
title: T
about: nothing
parameters:
- {name: k, default: "5"}
blocks:
- {name: each, times: k}
steps:
- {step: dish, do: empty, in: each}
- {step: net, do: weigh, in: each, less: dish}
- {step: average, do: compute, formula: mean(net), round: 4 digits, limits: {at_most: 3 g, from: made up}}
- {step: spread, do: compute, formula: cv(net), limits: {from: none}}
- {step: range, do: compute, formula: max(net) - min(net), limits: {from: none}}
- {step: near, do: compute, formula: 'mean(within(net, 1))', limits: {from: none}}
results: [average, spread, range, near]
`

// TestALeftOutPairIsAsIfNobodyHadWeighedIt: of pairs of an empty dish and a full one, some lack one half, or both. What is found of the others is
// what a run of its own finds that is about those alone.
func TestALeftOutPairIsAsIfNobodyHadWeighedIt(t *testing.T) {
	r, seed := random(t)
	for range 20 {
		k := 4 + r.IntN(6)
		all := begin(t, pairs, map[string]string{"k": strconv.Itoa(k)})
		all.fresh = false
		gone := map[int]bool{r.IntN(k): true, r.IntN(k): true}
		fewer := begin(t, pairs, map[string]string{"k": strconv.Itoa(k - len(gone))})
		fewer.fresh = false
		var out []int
		for i := range k {
			dish, full := "20."+strconv.Itoa(1000+r.IntN(9000))+" g", "22."+strconv.Itoa(1000+r.IntN(9000))+" g"
			all.weigh(dish).weigh(full)
			switch {
			case !gone[i]:
				fewer.weigh(dish).weigh(full)
			case r.IntN(3) == 0:
				out = append(out, 2*i+1, 2*i+2)
			default:
				out = append(out, 2*i+1+r.IntN(2))
			}
		}
		all.waits(ForEnd, "")
		fewer.waits(ForEnd, "")
		f, worked := all.anew(all.spilt(out...))
		want := fewer.run.Found()
		for i, one := range f.Results {
			w := want.Results[i]
			if one.Digits != w.Digits || one.Exact != w.Exact || one.Unit != w.Unit {
				t.Errorf("seed %d, %d pairs without %v: %s is %s, and of those alone %s", seed, k, out, one.Name, one.Exact, w.Exact)
			}
		}
		if f.Verdict != record.CheckWarned || !strings.Contains(f.Results[0].Limit, "all "+strconv.Itoa(k)+" of net") {
			t.Errorf("seed %d: that some are missing does not show: %s\n%s", seed, asJSON(t, f), strings.Join(whys(worked), "\n"))
		}
	}
}

// TestWhatCannotBeWorkedOutSaysWhy: from an empty dish that is left out to the result.
func TestWhatCannotBeWorkedOutSaysWhy(t *testing.T) {
	l := begin(t, pairs, map[string]string{"k": "1"})
	l.weigh("20.0000 g").weigh("22.0000 g")
	l.facts.MayAllow = true
	l.waits(ForAllowed, "spread") // of one value
	l.act(Act{Allow: "there is one"})
	l.waits(ForAllowed, "near")
	l.act(Act{Allow: "there is one"})
	l.waits(ForEnd, "")
	f, worked := l.anew(l.spilt(1))
	got := whys(worked)
	want := []string{"dish#1  | its weighing is not used: spilt", "net#1  | dish has no value, so that there is no net mass",
		"average  | average cannot be computed: ", "range  | range cannot be computed: "}
	for i := range got {
		if i >= len(want) || !strings.HasPrefix(got[i], want[i]) {
			t.Errorf("%s", strings.Join(got, "\n"))
		}
	}
	for _, one := range f.Results {
		if one.Digits != "" || one.Verdict != record.NotJudged || one.Entry != nil || !strings.Contains(one.Missing, one.Name+" cannot be computed: ") {
			t.Errorf("%s", asJSON(t, one))
		}
	}
	if f.Verdict != record.NotJudged || len(f.Weighings) != 0 || len(f.Unused) != 2 {
		t.Errorf("%s", asJSON(t, f))
	}
}

// TestLimitsAreJudgedAgain: a value that passed fails, one that failed passes, a minimum weight is held against again, and where a procedure
// refuses what is below it there is no value.
func TestLimitsAreJudgedAgain(t *testing.T) {
	const text = `
procedure: t
title: T
about: nothing
steps:
- {step: net, do: weigh, minimum: note, limits: {at_least: 1 g, at_most: 2 g, from: made up}}
- {step: second, do: weigh, minimum: refuse, target: net, tolerance: 10 %}
- {step: twice, do: compute, formula: net * 2, unit: g, outside: note, limits: {at_most: 3 g, from: made up}}
results: [net, second, twice]
`
	run := func(first, second string) *lab {
		l := begin(t, text, nil)
		l.facts.MayAllow = true
		l.facts.Minimum = &record.MinimumWeight{Mass: "1.2 g", Source: "a test"}
		l.weigh(first)
		if l.run.Next(l.facts).Waiting == ForAllowed {
			l.act(Act{Allow: "it is known"})
		}
		l.weigh(second)
		l.waits(ForEnd, "")
		return l
	}
	l := run("1.4000 g", "1.4500 g")
	if was := l.run.Found(); was.Verdict != record.CheckPassed {
		t.Fatalf("%s", asJSON(t, was))
	}
	f, worked := l.anew(l.readAs(1, "2.4", "g")) // over its limit; the target of the second moves away from it; twice it is too much
	if f.Verdict != record.CheckFailed || f.Results[0].Verdict != record.CheckFailed || f.Results[0].Digits != "2.4" || f.Results[1].Verdict != record.CheckFailed ||
		f.Results[1].Digits != "1.4500" || f.Results[2].Digits != "4.8" || f.Results[2].Verdict != record.CheckFailed {
		t.Errorf("%s\n%s", asJSON(t, f), strings.Join(whys(worked), "\n"))
	}
	if got := whys(worked); got[0] != "net 2.4 g | its weighing is read anew as 2.4 g; it was passed, and is failed" || got[1] != "second 1.4500 g | it was passed, and is failed" {
		t.Errorf("%s", strings.Join(got, "\n"))
	}
	f, _ = l.anew(l.readAs(1, "1500", "mg")) // another unit, and the same kind of thing
	if f.Verdict != record.CheckPassed || shown(f.Results[0]) != "1500 mg" || shown(f.Results[2]) != "3 g" {
		t.Errorf("%s", asJSON(t, f))
	}
	f, worked = l.anew(l.readAs(1, "1.1", "g")) // below the minimum weight, which is noted; the second is beyond the target
	if f.Results[0].Verdict != record.CheckWarned || f.Verdict != record.CheckFailed {
		t.Errorf("%s\n%s", asJSON(t, f), strings.Join(whys(worked), "\n"))
	}
	f, worked = l.anew(l.readAs(2, "1.1999", "g"))
	if got := whys(worked); len(got) != 1 || f.Results[1].Digits != "" || "second  | "+f.Results[1].Missing != got[0] || f.Verdict == record.CheckPassed ||
		got[0] != "second  | 1.1999 g net is below the minimum weight of the balance, 1.2 g: weigh more, or on a finer balance" {
		t.Errorf("%s\n%s", asJSON(t, f), strings.Join(got, "\n"))
	}
	l = run("2.5000 g", "2.4000 g")
	if was := l.run.Found(); was.Verdict != record.CheckFailed || was.Results[0].Allowed != "it is known" {
		t.Fatalf("%s", asJSON(t, was))
	}
	f, _ = l.anew(l.readAs(1, "2.6000", "g")) // still outside, and not what somebody allowed
	if f.Results[0].Verdict != record.CheckFailed || f.Results[0].Allowed != "" || f.Verdict != record.CheckFailed {
		t.Errorf("%s", asJSON(t, f))
	}
	f, _ = l.anew(l.spilt(1)) // nothing of what failed is left
	if f.Results[0].Digits != "" || f.Results[0].Allowed != "" || f.Results[2].Digits != "" {
		t.Errorf("%s", asJSON(t, f))
	}
	for _, bad := range []record.Value{{Digits: "5", Unit: "%", Kind: "gross", Range: "in"}, {Unit: "g", Kind: "gross", Range: "over"},
		{Digits: "1.5", Unit: "g", Kind: "gross", Range: "in", Stability: "unstable"}, {Digits: "1.5", Unit: "g", Kind: "tare", Range: "in"}} {
		f, worked := l.anew(Changes{Values: map[string]record.Value{l.taken()[0]: bad}})
		if f.Results[0].Digits != "" || worked[0].Why == "" {
			t.Errorf("%s became %s: %s", asJSON(t, bad), f.Results[0].Digits, worked[0].Why)
		}
	}
}

func shown(r record.RunResult) string { return withUnit(r.Digits, r.Unit) }

// TestTheWayStays: a decision and a condition that would come out otherwise are told, and nothing is done or left out after the fact.
func TestTheWayStays(t *testing.T) {
	l := begin(t, `
procedure: t
title: T
about: nothing
steps:
- {step: heat, do: instruct, say: Heat for an hour.}
- {step: m, do: weigh, limits: {at_least: 1 g}}
- {step: same, do: decide, if: 'abs(m - before(m)) > "0.5 mg"', then: heat, at_most: 5}
- {step: heavy, do: weigh, when: 'm > "10 g"', limits: {from: none}}
- {step: light, do: weigh, when: 'm <= "10 g"', limits: {from: none}}
- {step: gone, do: compute, formula: before(m) - m, unit: mg, limits: {from: none}}
results: [m, heavy, light, gone]
`, nil)
	for _, shown := range []string{"10.0100 g", "10.0020 g", "10.0015 g"} {
		l.act(Act{Done: true})
		l.weigh(shown)
	}
	l.weigh("11.0000 g")
	l.waits(ForEnd, "")
	f, worked := l.anew(l.readAs(3, "9.0000", "g"))
	want := []string{
		"m 9.0000 g | its weighing is read anew as 9.0000 g",
		"same yes | it would now lead to heat: the run went on at heavy, and that stays",
		`heavy 11.0000 g | its condition m > "10 g" is not met any more: it was done, and that stays`,
		`light | its condition m <= "10 g" is met: it was left out, and that stays`,
		"gone 1002 mg |",
	}
	got := whys(worked)
	for i := range got {
		got[i] = strings.Join(strings.Fields(got[i]), " ")
	}
	if !slices.Equal(got, want) {
		t.Errorf("\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if f.Verdict != record.CheckWarned {
		t.Errorf("%s", asJSON(t, f))
	}
	f, worked = l.anew(l.spilt(2)) // the one in the middle: what was before is gone, and not the one before that
	if r := resultOf(t, f, "gone"); r.Digits != "" || resultOf(t, f, "m").Digits != "10.0015" {
		t.Errorf("%s\n%s", asJSON(t, f), strings.Join(whys(worked), "\n"))
	}
}

// TestTheRuleForReplicatesIsHeldAgain: with a value left out, or read anew, the procedure would have asked for more.
func TestTheRuleForReplicatesIsHeldAgain(t *testing.T) {
	l := begin(t, `
procedure: t
title: T
about: nothing
blocks:
- {name: counts, times: 3, more_while: 'cv(m) > "4 %"', more: 2, most: 5}
steps:
- {step: m, do: weigh, in: counts}
- {step: average, do: compute, formula: mean(m), limits: {at_least: 1 g}}
results: [average]
`, nil)
	l.weigh("10.0 g").weigh("10.2 g").weigh("10.1 g")
	l.waits(ForEnd, "")
	f, _ := l.anew(l.readAs(3, "12.0", "g"))
	if r := f.Results[0]; !strings.Contains(r.Limit, `not cv(m) > "4 %"`) || strings.Contains(r.Limit, "all 3") || r.Verdict != record.CheckWarned {
		t.Errorf("%s", asJSON(t, f))
	}
	f, _ = l.anew(l.spilt(3))
	if r := f.Results[0]; !strings.Contains(r.Limit, "all 3 of m") || strings.Contains(r.Limit, "cv") || r.Verdict != record.CheckWarned {
		t.Errorf("%s", asJSON(t, f))
	}
	f, _ = l.anew(l.spilt(2, 3)) // of one value there is no spread
	if r := f.Results[0]; !strings.Contains(r.Limit, "all 3 of m") || !strings.Contains(r.Limit, "cv") {
		t.Errorf("%s", asJSON(t, f))
	}
}

// TestSlipsAndStrangersInChanges: a slip is left out as a weighing is; what is no weighing of the run is refused.
func TestSlipsAndStrangersInChanges(t *testing.T) {
	l := begin(t, pairs, map[string]string{"k": "2"})
	l.facts.Late = func(id string) (*record.LateEntered, error) {
		slip := &record.LateEntered{Balance: l.facts.Balance, Value: record.Value{Digits: "20.0000", Unit: "g", Kind: "gross", Stability: "unknown", Range: "in"}}
		slip.ID = id
		return slip, nil
	}
	l.act(Act{Late: "north-lab/7qx3/@/slip-1"})
	l.weigh("22.0000 g").weigh("20.0000 g").weigh("22.5000 g")
	l.waits(ForEnd, "")
	f, worked := l.anew(Changes{Excluded: map[string]string{"north-lab/7qx3/@/slip-1": "wrong container"}})
	if r := f.Results[0]; r.Digits != "2.500" || whys(worked)[0] != "dish#1  | its weighing is not used: wrong container" {
		t.Errorf("%s\n%s", asJSON(t, f), strings.Join(whys(worked), "\n"))
	}
	for _, c := range []Changes{{Excluded: map[string]string{"x": "spilt"}}, {Values: map[string]record.Value{"x": {}}}, {Amended: []Amendment{{Of: "x", Field: "sample", After: "S-2"}}},
		{Amended: []Amendment{{Field: "sample", After: "S-2"}}}} {
		if _, _, err := Again(l.def, l.begun, l.log, c); err == nil || !strings.Contains(err.Error(), "of the run r-7qx3-000001") {
			t.Errorf("%v", err)
		}
	}
}
