package procedure

import (
	"io/fs"
	"slices"
	"strings"
	"testing"

	"weighpost/configs"
	"weighpost/gateway/record"
)

// TestConstantMass: a loop compares with the time before, needs two at least, and once it may go round no more a reviewer decides.
func TestConstantMass(t *testing.T) {
	const text = `
procedure: t
title: T
about: nothing
steps:
- {step: heat, do: instruct, say: Heat for an hour.}
- {step: m, do: weigh, limits: {at_least: 1 g}}
- {step: same, do: decide, if: 'abs(m - before(m)) > "0.5 mg"', then: heat, at_most: 3}
- {step: gone, do: compute, formula: before(m) - m, unit: mg, limits: {from: none}}
results: [m, gone]
`
	round := func(l *lab, shown string) {
		l.waits(ForDone, "heat")
		l.act(Act{Done: true})
		l.weigh(shown)
	}
	l := begin(t, text, nil)
	round(l, "10.0100 g")
	if last := l.log[len(l.log)-1]; last.Next != "heat" || !strings.Contains(last.Why, "before(m) has no value yet") {
		t.Errorf("%s", asJSON(t, last))
	}
	round(l, "10.0020 g")
	round(l, "10.0015 g")
	l.waits(ForEnd, "")
	if got := l.results("gone"); !slices.Equal(got, []string{"0.5 mg"}) {
		t.Errorf("%v", got)
	}
	if f := l.run.Found(); f.Results[0].Digits != "10.0015" || f.Verdict != record.CheckPassed {
		t.Errorf("%s", asJSON(t, f))
	}
	l = begin(t, text, nil)
	for _, shown := range []string{"10.0 g", "9.9 g", "9.8 g", "9.7 g"} {
		round(l, shown)
	}
	n := l.waits(ForAllowed, "same")
	if n.Found == nil || n.Found.Entry.Verdicts[0].Rule != record.RuleLoop || n.Found.Entry.Verdicts[0].Limit != "leads back at most 3 times" {
		t.Errorf("%s", asJSON(t, n))
	}
	l.facts.MayAllow = true
	l.actAs(ben, Act{Allow: "it goes on losing water"})
	l.waits(ForEnd, "")
	if f := l.run.Found(); f.Verdict != record.CheckFailed {
		t.Errorf("the verdict is %s", f.Verdict)
	}
}

// TestReplicates: more are weighed while the condition holds, up to a number; then the result says that it still held.
func TestReplicates(t *testing.T) {
	const text = `
procedure: t
title: T
about: nothing
blocks:
- {name: counts, times: 2, more_while: 'cv(m) > "4 %"', more: 2, most: 6}
steps:
- {step: m, do: weigh, in: counts}
- {step: average, do: compute, formula: 'mean(within(m, 1))', limits: {at_least: 1 g}}
results: [average]
`
	l := begin(t, text, nil)
	l.weigh("10.0 g")
	if n := l.waits(ForWeight, "m"); n.Pass != 2 || n.Passes != 2 || n.Block != "counts" {
		t.Errorf("%s", asJSON(t, n))
	}
	l.weigh("11.0 g") // sd 0.707, cv 6.7 %
	if n := l.waits(ForWeight, "m"); n.Passes != 4 {
		t.Errorf("%s", asJSON(t, n))
	}
	l.weigh("10.5 g").weigh("10.5 g") // sd 0.408, cv 3.9 %
	l.waits(ForEnd, "")
	worked := l.log[len(l.log)-1].Worked
	if want := []string{"m 1: 10.0 g, since it is not in within(m, 1)", "m 2: 11.0 g, since it is not in within(m, 1)"}; !slices.Equal(worked.Excluded, want) {
		t.Errorf("left out: %q", worked.Excluded)
	}
	l = begin(t, text, nil)
	for _, shown := range []string{"10 g", "12 g", "10 g", "12 g", "10 g", "12 g"} {
		l.weigh(shown)
	}
	l.waits(ForEnd, "")
	if f := l.run.Found(); f.Verdict != record.CheckWarned || !strings.Contains(f.Results[0].Limit, `not cv(m) > "4 %"`) {
		t.Errorf("%s", asJSON(t, f))
	}
}

// TestStepsBack: what is done again is replaced and stays; what follows from it is done again with it.
func TestStepsBack(t *testing.T) {
	l := begin(t, overItems(oneEach), nil, item("S-1", "c1"), item("S-2", "c2")).containers("c1", "c2")
	l.refused(ada, Act{Back: "nothing yet"}, "no step has been done")
	l.act(Act{Scan: "S-1"})
	l.act(Act{Scan: "c1"})
	l.weigh("20.0000 g").weigh("25.0000 g")
	if n := l.waits(ForScan, "which"); n.MayBack != "net" {
		t.Errorf("%s", asJSON(t, n))
	}
	steps := l.act(Act{Back: "a spoon lay on the pan"})
	if len(steps) != 1 || steps[0].Became != record.StepReplaced || steps[0].Step != "net" || steps[0].Weighing == nil {
		t.Errorf("%s", asJSON(t, steps))
	}
	l.waits(ForWeight, "net")
	l.act(Act{Back: "and the dish was wet"})
	if n := l.waits(ForWeight, "empty"); n.Item == nil || n.Item.Sample != "S-1" {
		t.Errorf("%s", asJSON(t, n))
	}
	l.weigh("20.1000 g").weigh("24.1000 g")
	l.act(Act{Leave: "the second lot is missing"})
	l.waits(ForEnd, "")
	l.act(Act{Back: "it came"})
	l.waits(ForScan, "which")
	l.act(Act{Scan: "S-2"})
	l.act(Act{Scan: "c2"})
	l.weigh("20.0000 g").weigh("22.0000 g")
	f := l.run.Found()
	if got := l.results("net"); !slices.Equal(got, []string{"4.0000 g", "2.0000 g"}) || f.Verdict != record.CheckPassed || len(f.Unused) != 2 {
		t.Errorf("%v, %s", got, asJSON(t, f))
	}
}

// TestDishesAndSamplesFindEachOther: samples that were asked for get the dishes as they are scanned, and keep them.
func TestDishesAndSamplesFindEachOther(t *testing.T) {
	l := begin(t, `
procedure: t
title: T
about: both
most: 9
blocks:
- {name: tares, over: items}
- {name: fills, over: items}
steps:
- {step: dish, do: identify, what: container, in: tares}
- {step: tare, do: empty, in: tares}
- {step: filled, do: identify, what: container, in: fills}
- {step: sample, do: identify, what: sample, in: fills}
- {step: net, do: weigh, in: fills, less: tare, limits: {from: none}}
results: [net]
`, nil, item("S-1", ""), item("S-2", "")).containers("d1", "d2", "d3")
	l.act(Act{Scan: "d1"})
	l.weigh("10 g")
	l.act(Act{Scan: "d2"})
	l.weigh("20 g")
	l.act(Act{Scan: "d3"})
	if n := l.waits(ForScan, "filled"); n.Note != "container d3 is none of this run" {
		t.Errorf("%s", n.Note)
	}
	l.act(Act{Scan: "d2"})
	if n := l.waits(ForScan, "sample"); n.Say != "Scan the sample: S-2." {
		t.Errorf("%s", n.Say)
	}
	l.act(Act{Scan: "S-1"})
	if n := l.waits(ForScan, "sample"); n.Note != "sample S-1 is not the right one: S-2 is wanted" {
		t.Errorf("%s", n.Note)
	}
	l.act(Act{Scan: "S-2"})
	l.weigh("25 g")
	l.act(Act{Scan: "d1"})
	l.act(Act{Scan: "S-1"})
	l.weigh("13 g")
	if got := l.results("net"); !slices.Equal(got, []string{"3 g", "5 g"}) {
		t.Errorf("%v", got)
	}
}

// TestReadyProceduresComeBackFromTheirForm: a form that shows a procedure and is written again is the same procedure.
func TestReadyProceduresComeBackFromTheirForm(t *testing.T) {
	names, err := fs.Glob(configs.Procedures, "procedures/*.yaml")
	if err != nil || len(names) < 8 {
		t.Fatal(names, err)
	}
	for _, name := range names {
		src, err := fs.ReadFile(configs.Procedures, name)
		if err != nil {
			t.Fatal(err)
		}
		first, err := Parse(name, src)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		text, err := Write(Form(first))
		if err != nil {
			t.Fatal(err)
		}
		again, err := Parse(name, []byte(text))
		if err != nil || asJSON(t, again) != asJSON(t, first) {
			t.Errorf("%s comes back as\n%s\n%v", name, text, err)
		}
		asSent, err := Parse(name, []byte(asJSON(t, Form(first))))
		if err != nil || asJSON(t, asSent) != asJSON(t, first) {
			t.Errorf("%s comes back from JSON with %v", name, err)
		}
	}
}
