package procedure

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// overItems wraps steps into a definition about three samples in crucibles.
func overItems(steps string) string {
	return "procedure: t\ntitle: T\nabout: both\nmost: 3\nblocks:\n- {name: each, over: items}\nsteps:\n" + steps
}

const oneEach = `
- {step: which, do: identify, in: each, what: sample}
- {step: dish, do: identify, in: each, what: container}
- {step: empty, do: empty, in: each}
- {step: net, do: weigh, in: each, less: empty, limits: {at_least: 1 g, at_most: 10 g, from: made up}}
results: [net]
`

func item(sample, container string) record.RunItem {
	return record.RunItem{Sample: sample, Container: container}
}

// TestWrongThingsAreStopped: each mistake with a sample or a container is told in a sentence, is in the record, and changes nothing else.
func TestWrongThingsAreStopped(t *testing.T) {
	l := begin(t, overItems(oneEach), nil, item("S-1", "c1"), item("S-2", ""), item("S-3", "")).containers("c1", "c2")
	known := l.facts.Container
	l.facts.Container = func(id string) (Known, bool) {
		k, ok := known(id)
		expired := record.UTC(start.Add(-time.Hour))
		switch id {
		case "old":
			return Known{Container: record.Container{ID: id, Expires: &expired}}, true
		case "gone":
			return Known{Container: record.Container{ID: id, Withdrawn: true}}, true
		case "busy":
			return Known{Container: record.Container{ID: id}, InRun: "r-7qx3-000009"}, true
		}
		return k, ok
	}
	stopped := func(scan, sentence string) {
		t.Helper()
		step := l.run.Next(l.facts).Step
		steps := l.act(Act{Scan: scan})
		if len(steps) != 1 || steps[0].Became != record.StepStopped || steps[0].Why != sentence {
			t.Errorf("%s: %s; want %q", scan, asJSON(t, steps), sentence)
		}
		if n := l.waits(ForScan, step); n.Note != sentence {
			t.Errorf("%s: the note is %q", scan, n.Note)
		}
	}
	stopped("S-9", "sample S-9 is none of this run")
	l.act(Act{Scan: "S-2"})
	stopped("c1", "container c1 belongs to another item of this run")
	stopped("c9", "container c9 is not in the register: register it first")
	stopped("old", "container old expired at 2026-11-30T07:00:00.000000Z: take another")
	stopped("gone", "container gone was withdrawn: take another")
	stopped("busy", "container busy is in the run r-7qx3-000009")
	l.act(Act{Scan: "c2"})
	l.weigh("20.0000 g").weigh("25.0000 g")
	stopped("S-2", "sample S-2 is done already: the next one is wanted")
	l.act(Act{Scan: "S-1"})
	stopped("c2", "container c2 is not the right one: c1 is wanted")
	l.act(Act{Scan: "c1"})
	l.weigh("21.0000 g").weigh("25.0000 g")
	l.act(Act{Leave: "the third lot did not come"})
	n := l.waits(ForEnd, "")
	if n.Note != "" {
		t.Errorf("a mistake is told at the end: %s", n.Note)
	}
	f := l.run.Found()
	if len(f.Results) != 3 || f.Results[2].Missing != "left out: the third lot did not come" || f.Results[2].Allowed != "" || f.Results[2].Verdict != record.NotJudged || f.Verdict != record.CheckPassed ||
		len(f.LeftOut) != 1 || f.LeftOut[0].Item.Sample != "S-3" || f.LeftOut[0].Reason != "the third lot did not come" {
		t.Errorf("found %s", asJSON(t, f))
	}
}

// TestAnUnknownMinimumWeightIsNotTakenForAKeptOne: where a weight below the minimum weight is refused and nobody knows which that is, the run goes on
// only as with a value outside its limits, also where those are only noted; it is told how the minimum weight becomes known.
func TestAnUnknownMinimumWeightIsNotTakenForAKeptOne(t *testing.T) {
	const says = "no minimum weight of the balance b-1 is known (no certificate), and the procedure refuses a weight below it: set it in the settings of the balance"
	for _, c := range []struct{ policy, outside, waits string }{{"refuse", "reviewer", ForAllowed}, {"refuse", "note", ForAllowed}, {"refuse", "investigation", ForAllowed},
		{"refuse", "repeat", ForAllowed}, {"note", "reviewer", ForEnd}, {"none", "reviewer", ForEnd}} {
		text := strings.Replace(overItems(oneEach), "less: empty,", "less: empty, minimum: "+c.policy+", outside: "+c.outside+",", 1)
		l := begin(t, text, nil, item("S-1", "c1")).containers("c1")
		l.facts.NoMinimum = "no certificate"
		l.act(Act{Scan: "S-1"})
		l.act(Act{Scan: "c1"})
		l.weigh("20.0000 g").weigh("25.0000 g")
		if n := l.run.Next(l.facts); n.Waiting != c.waits {
			t.Errorf("%+v: the run waits for %s", c, n.Waiting)
			continue
		}
		if c.waits == ForEnd {
			if f := l.run.Found(); f.Verdict != record.CheckPassed {
				t.Errorf("%+v: %s", c, f.Verdict)
			}
			continue
		}
		if found := l.run.Next(l.facts).Found.Entry; len(found.Verdicts) != 2 || !strings.HasPrefix(found.Verdicts[0].Why, says) || found.Value.Digits != "5.0000" {
			t.Errorf("%+v: %s", c, asJSON(t, found))
		}
		l.refused(ada, Act{Allow: "it will be enough"}, "may not let a run go on")
		if c.outside == "repeat" { // once it is known, the same weighing is good
			l.act(Act{Repeat: "the minimum weight was set"})
			l.facts.Minimum = &record.MinimumWeight{Mass: "20 mg", Source: "a test"}
			l.later(time.Minute).weigh("25.0000 g").waits(ForEnd, "")
			if f := l.run.Found(); f.Verdict != record.CheckPassed {
				t.Errorf("%+v: %s", c, asJSON(t, f))
			}
			continue
		}
		l.facts.MayAllow = true
		if c.outside == "investigation" {
			l.refused(ada, Act{Allow: "it is far above any"}, "wants the reference of an investigation")
		}
		l.actAs(ben, Act{Allow: "it is far above any", Ref: "D-7"})
		if f := l.run.Found(); f.Verdict != record.CheckFailed || f.Results[0].Allowed != "it is far above any" || f.Results[0].Verdict != record.CheckFailed {
			t.Errorf("%+v: %s", c, asJSON(t, f))
		}
	}
}

// TestTheVerdictIsThatOfTheItemsJudged: what was left out is named with its reason, has no result, and takes nothing from the verdict of the others; a mean
// names whom it is without. Where nothing is left, nothing has passed; what could not be worked out is missing, and the run is not judged.
func TestTheVerdictIsThatOfTheItemsJudged(t *testing.T) {
	text := strings.Replace(overItems(oneEach), "results: [net]", `- {step: average, do: compute, formula: mean(net), round: 0.01 g, limits: {at_least: 1 g, from: made up}}
- {step: share, do: compute, formula: net / average, in: again, round: 0.1 %, unit: "%", limits: {from: none is set}}
results: [net, average, share]`, 1)
	text = strings.Replace(text, "- {step: share", "- {step: sure, do: identify, what: container, in: again}\n- {step: share", 1)
	text = strings.Replace(text, "steps:\n", "- {name: again, over: items}\nsteps:\n", 1)
	for _, c := range []struct{ left, verdict, average, without string }{{"", "passed", "5.00 g", "null"}, {"23", "passed", "5.00 g", `["net 2: left out (broke)","net 3: left out (broke)"]`},
		{"123", "not judged", "", ""}} {
		l := begin(t, text, nil, item("S-1", "c1"), item("S-2", "c2"), item("S-3", "c3")).containers("c1", "c2", "c3")
		for i := 1; i <= 3 && !strings.Contains(c.left, fmt.Sprint(i)); i++ {
			l.act(Act{Scan: fmt.Sprint("S-", i)})
			l.act(Act{Scan: fmt.Sprint("c", i)})
			l.weigh("20.0000 g").weigh("25.0000 g")
		}
		if c.left != "" {
			l.act(Act{Leave: "broke"})
		}
		if c.left == "123" { // no mean of nothing
			l.facts.MayAllow = true
			l.act(Act{Allow: "there is none"})
		} else if without := asJSON(t, l.run.state.values[at{l.def.plan.byID["average"], 0}].entry.Worked.Excluded); without != c.without {
			t.Errorf("%+v: the mean is without %s", c, without)
		}
		for i := 1; i <= 3 && !strings.Contains(c.left, fmt.Sprint(i)); i++ {
			l.act(Act{Scan: fmt.Sprint("c", i)})
		}
		f, values := l.run.Found(), 0
		for _, one := range f.Results {
			if one.Entry != nil {
				values++
			} else if one.Missing != "left out: broke" && !(one.Name == "average" && strings.HasSuffix(one.Missing, "; went on because: there is none")) {
				t.Errorf("%+v: it is not said why it has no value: %s", c, asJSON(t, one))
			}
		}
		want := map[string]int{"": 7, "23": 3, "123": 0}[c.left]
		if f.Verdict != c.verdict || len(f.LeftOut) != len(c.left) || len(f.Results) != 7 || values != want || l.results("average")[0] != c.average {
			t.Errorf("%+v: %s", c, asJSON(t, f))
		}
	}
}

// TestWrongWeighingsAreStopped: each mistake with a weighing.
func TestWrongWeighingsAreStopped(t *testing.T) {
	text := strings.Replace(overItems(oneEach), "less: empty,", "less: empty, minimum: refuse,", 1)
	l := begin(t, text, nil, item("S-1", "c1")).containers("c1")
	l.facts.Minimum = &record.MinimumWeight{Mass: "20 mg", Source: "a test"}
	early := l.weighing("1.0000 g")
	if steps := l.give(early); len(steps) != 1 || steps[0].Became != record.StepUnused || !strings.HasPrefix(steps[0].Why, "no step asked for a weighing: the run waited for a scan") {
		t.Errorf("%s", asJSON(t, steps))
	}
	if steps := l.run.Weighed(early, l.facts); len(steps) != 0 {
		t.Errorf("a weighing is judged twice: %s", asJSON(t, steps))
	}
	l.act(Act{Scan: "S-1"})
	l.act(Act{Scan: "c1"})
	for sentence, change := range map[string]func(w *record.Weighing){
		"the weight had not come to rest":      func(w *record.Weighing) { w.Value.Stability = "unstable" },
		"the balance was over its range":       func(w *record.Weighing) { w.Value.Range, w.Value.Digits = "over", "" },
		"the balance was under its range":      func(w *record.Weighing) { w.Value.Range, w.Value.Digits = "under", "" },
		"the balance printed its tare":         func(w *record.Weighing) { w.Value.Kind = "tare" },
		"the balance printed its preset tare":  func(w *record.Weighing) { w.Value.Kind = "preset tare" },
		"which is no mass":                     func(w *record.Weighing) { w.Value.Unit, w.Value.PrintedUnit = "%", "%" },
		"is not confirmed since its line":      func(w *record.Weighing) { w.Balance.Identity = "unconfirmed" },
		"it was weighed as sample S-7":         func(w *record.Weighing) { w.Context.Sample.ID = "S-7" },
		"the balance b-2 is not where the run": func(w *record.Weighing) { w.Balance.ID = "b-2" },
		"cannot be worked with":                func(w *record.Weighing) { w.Value.Digits = "12,5" },
	} {
		w := l.weighing("20.0000 g")
		change(w)
		l.stopped(w, sentence)
	}
	l.facts.Unfit = "the balance b-1 is out of service: its last check failed"
	w := l.weighing("20.0000 g")
	if steps := l.give(w); steps[0].Why != l.facts.Unfit {
		t.Errorf("%s", asJSON(t, steps))
	}
	l.facts.Unfit = ""
	l.weigh("20.0000 g")
	again := l.weighing("20.0000 g")
	again.Stamp.UTC = record.UTC(l.now.Add(-1 * time.Second))
	l.now = again.Stamp.UTC.Time()
	if steps := l.give(again); steps[0].Became != record.StepStopped || !strings.Contains(steps[0].Why, "20.0000 g came again within a second") {
		t.Errorf("%s", asJSON(t, steps))
	}
	l.stopped(l.weighing("20.0199 g"), "0.0199 g net is below the minimum weight of the balance, 20 mg")
	net := l.weighing("22.0000 g")
	net.Value.Kind = "net"
	l.stopped(net, "the balance called empty gross and this weight net")
	l.weigh("22.0000 g")
	f := l.run.Found()
	if len(f.Weighings) != 2 || len(f.Unused) != 15 || f.Verdict != record.CheckPassed {
		t.Errorf("%d weighings count, %d do not; %s", len(f.Weighings), len(f.Unused), f.Verdict)
	}
}

const twoBalances = `
procedure: t
title: T
about: nothing
balances:
  rough: {readability: 1 mg, other_than: fine}
  fine: {readability: 0.1 mg, capacity: 150 g}
steps:
- {step: a, do: weigh, on: fine}
- {step: b, do: weigh, on: rough}
- {step: c, do: weigh, on: fine, limits: {from: none is set}}
results: [c]
`

// TestTheRightBalance: a name is bound to a balance by its first use; which it may be is said by what the procedure asks for.
func TestTheRightBalance(t *testing.T) {
	l := begin(t, twoBalances, nil)
	to := func(id, d, capacity string) {
		l.facts.Balance = record.Balance{ID: id, Readability: d + " g"}
		l.facts.Readability, l.facts.Capacity = rat(d), rat(capacity)
		l.act(Act{At: id})
	}
	to("b-3", "0.001", "3000")
	l.waits(ForBalance, "a")
	l.stopped(l.weighing("1.000 g"), "the balance b-3 has a readability of 0.001 g, and the procedure asks for 0.1 mg: go on at another")
	to("b-2", "0.0001", "100")
	l.stopped(l.weighing("1.0000 g"), "has a capacity of 100 g, and the procedure asks for 150 g")
	l.facts.Capacity = nil
	l.stopped(l.weighing("1.0000 g"), "the capacity of the balance b-2 is not known")
	to("b-1", "0.0001", "200")
	l.weigh("1.0000 g")
	l.stopped(l.weighing("1.0001 g"), `the balance b-1 was "fine" in this run, and "rough" has to be another`)
	to("b-3", "0.001", "3000")
	l.weigh("2.000 g")
	to("b-2", "0.0001", "200")
	if n := l.waits(ForBalance, "c"); n.Balance != "b-1" || n.On != "fine" {
		t.Errorf("%+v", n)
	}
	l.stopped(l.weighing("1.0000 g"), `the balance b-1 is wanted here, since "fine" is that balance in this run, and this is b-2`)
	to("b-1", "0.0001", "200")
	l.weigh("3.0000 g")
	if f := l.run.Found(); strings.Join(f.Balances, " ") != "b-1 b-3" {
		t.Errorf("balances %v", f.Balances)
	}
}

// TestTargetsPassAtTheirVeryEdge: the tolerance belongs to what passes, exactly, whatever the unit.
func TestTargetsPassAtTheirVeryEdge(t *testing.T) {
	for _, c := range []struct {
		target, tolerance, net string
		pass                   bool
	}{
		{"100 mg", "0.5 mg", "0.0995 g", true}, {"100 mg", "0.5 mg", "0.1005 g", true}, {"100 mg", "0.5 mg", "99.4999 mg", false},
		{"100 mg", "0.5 mg", "100.50001 mg", false}, {"3 g", "0.1 %", "3.003 g", true}, {"3 g", "0.1 %", "3.0031 g", false}, {"3 g", "0.1 %", "2.997 g", true},
		{`"10 g" / 3`, "1 mg", "3.3323 g", false}, {`"10 g" / 3`, "1 mg", "3.3324 g", true}, {`"10 g" / 3`, "1 mg", "3.3343 g", true}, {`"10 g" / 3`, "1 mg", "3.3344 g", false},
	} {
		text := fmt.Sprintf("procedure: t\ntitle: T\nabout: nothing\nsteps:\n- step: net\n  do: weigh\n  target: %s\n  tolerance: %s\n  outside: note\nresults: [net]\n",
			quoted(c.target), c.tolerance)
		l := begin(t, text, nil)
		l.weigh(c.net)
		if got := l.run.Found().Results[0].Verdict == record.CheckPassed; got != c.pass {
			t.Errorf("%s of %s ± %s: passed is %v (%s)", c.net, c.target, c.tolerance, got, l.run.Found().Results[0].Limit)
		}
	}
}

func quoted(s string) string { return "'" + s + "'" }

// TestOutsideLimits: what a value outside its limits needs before the run goes on; it stays in any case.
func TestOutsideLimits(t *testing.T) {
	text := func(outside string) string {
		return "procedure: t\ntitle: T\nabout: nothing\nsteps:\n- {step: t1, do: environment, what: temperature, limits: {at_least: 18 Cel, at_most: 22 Cel}, " + outside + "}\nresults: [t1]\n"
	}
	t.Run("note", func(t *testing.T) {
		l := begin(t, text("outside: note"), nil)
		l.act(Act{Answer: "22.1"})
		l.waits(ForEnd, "")
		if f := l.run.Found(); f.Verdict != record.CheckFailed || f.Results[0].Digits != "22.1" || f.Results[0].Limit != "at least 18 Cel, at most 22 Cel" {
			t.Errorf("%s", asJSON(t, f))
		}
	})
	t.Run("repeat", func(t *testing.T) {
		l := begin(t, text("outside: repeat, repeats: 2"), nil)
		for range 2 {
			l.act(Act{Answer: "25"})
			n := l.waits(ForAllowed, "t1")
			if n.Repeats == 0 || n.Found == nil || n.Found.Entry.Value.Digits != "25" {
				t.Errorf("%s", asJSON(t, n))
			}
			l.refused(ada, Act{Answer: "20"}, "the value of the step t1 is outside its limits: that comes first")
			l.refused(ada, Act{Allow: "it is warm"}, "Ada may not let a run go on")
			l.act(Act{Repeat: "the door was open"})
			l.waits(ForAnswer, "t1")
		}
		l.act(Act{Answer: "25"})
		l.refused(ada, Act{Repeat: "again"}, "the step t1 may not be repeated any more: somebody with the right to decides")
		l.refused(ada, Act{Back: "round the limit"}, "may not be repeated any more")
		l.facts.MayAllow = true
		l.actAs(ben, Act{Allow: "a thermometer of the building says the same"})
		f := l.run.Found()
		if f.Verdict != record.CheckFailed || f.Results[0].Allowed != "a thermometer of the building says the same" || len(f.Steps) != 6 {
			t.Errorf("%s", asJSON(t, f))
		}
		counts := 0
		for _, s := range l.run.Steps() {
			if s.Counts {
				counts++
			}
		}
		if counts != 2 {
			t.Errorf("%d entries count", counts)
		}
	})
	t.Run("reviewer", func(t *testing.T) {
		l := begin(t, text("outside: reviewer"), nil)
		l.act(Act{Answer: "17.9"})
		l.refused(ada, Act{Repeat: "cold"}, "the step t1 may not be repeated: somebody with the right to decides")
		l.facts.MayAllow = true
		l.actAs(ben, Act{Repeat: "read again"})
		l.act(Act{Answer: "18"})
		l.waits(ForEnd, "")
		if f := l.run.Found(); f.Verdict != record.CheckPassed {
			t.Errorf("%s", asJSON(t, f))
		}
	})
	t.Run("investigation", func(t *testing.T) {
		l := begin(t, text("outside: investigation"), nil)
		l.act(Act{Answer: "30"})
		l.facts.MayAllow = true
		l.refused(ben, Act{Allow: "it is known"}, "the reference of an investigation")
		l.actAs(ben, Act{Allow: "it is known", Ref: "OOS-26-17"})
		l.waits(ForEnd, "")
	})
}

// TestAnswers: what is typed in is taken as it is written, or refused in a sentence; nothing is guessed.
func TestAnswers(t *testing.T) {
	l := begin(t, `
procedure: t
title: T
about: nothing
steps:
- {step: v, do: ask, unit: mL, limits: {at_most: 100 mL}}
- {step: kind, do: ask, kind: choice, choices: [wet, dry]}
- {step: day, do: ask, kind: date}
- {step: note, do: ask, kind: text, limits: {matches: "L-"}, outside: repeat}
- {step: reagent, do: identify, what: reagent}
- {step: half, do: compute, formula: v / 2, limits: {from: none}}
results: [half]
`, nil)
	for answer, sentence := range map[string]string{"12,5": "has a comma", "twelve": "is no number", "12.5 g": "is a mass, and a volume (mL) is wanted", "1e999999999": "is no number",
		"5 mL mL": "no unit", strings.Repeat("9", 70): "too long"} {
		l.refused(ada, Act{Answer: answer}, sentence)
	}
	l.refused(ada, Act{Answer: "5 mL", Unit: "mL"}, "another is given beside it")
	l.refused(ada, Act{Done: true}, "but for: an answer")
	l.refused(ada, Act{Answer: "5", Done: true}, "2 acts")
	l.refused(ada, Act{}, "0 acts")
	l.act(Act{Answer: "12.50"})
	l.refused(ada, Act{Answer: "moist"}, "moist is none of wet, dry")
	l.act(Act{Answer: "dry"})
	l.refused(ada, Act{Answer: "30.11.2026"}, "is no date")
	l.act(Act{Answer: "2026-11-30"})
	l.refused(ada, Act{Answer: "L-\u202e1"}, "U+202E")
	l.act(Act{Answer: "X-1"})
	l.waits(ForAllowed, "note")
	l.act(Act{Repeat: "mistyped"})
	l.act(Act{Answer: "L-1"})
	steps := l.act(Act{Scan: "(01)09506000134352(10)AB-1(17)250101"})
	if steps[0].Became != record.StepStopped || steps[0].Why != "the reagent expired on 2025-01-01: take another lot" {
		t.Errorf("%s", asJSON(t, steps))
	}
	l.act(Act{Scan: "LOT 4711"})
	if got := l.results("half"); len(got) != 1 || got[0] != "6.25 mL" {
		t.Errorf("%v", got)
	}
}
