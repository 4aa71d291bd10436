package procedure

import (
	"slices"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// drying is loss on drying: dishes tared and filled today, dried over night, weighed back tomorrow until the mass is constant.
const drying = `
procedure: drying-test
title: Loss on drying, in dishes
about: both
most: 3
balances:
  fine: {readability: 0.1 mg, capacity: 100 g}
blocks:
- {name: fill, over: items}
- {name: back, over: items}
steps:
- {step: lot, do: identify, in: fill, what: sample}
- {step: dish, do: identify, in: fill, what: container}
- {step: tare, do: empty, in: fill}
- {step: wet, do: weigh, in: fill, less: tare, target: 5 g, tolerance: 10 %, minimum: refuse}
- {step: oven, do: wait, for: 17h, say: Dry at 103 °C.}
- {step: again, do: identify, in: back, what: container}
- {step: dry, do: weigh, in: back, less: tare}
- step: loss
  do: compute
  in: back
  formula: (wet - dry) / wet
  unit: "%"
  round: 0.1 %
  limits: {at_most: 14 %, from: the lab's own}
- {step: average, do: compute, formula: mean(loss), round: 0.1 %, unit: "%", limits: {from: no limit is set}}
results: [loss, average]
`

func (l *lab) containers(known ...string) *lab {
	l.facts.Container = func(id string) (Known, bool) {
		return Known{Container: record.Container{ID: id, Sort: "dish"}}, slices.Contains(known, id)
	}
	return l
}

func TestLossOnDryingOverTwoDays(t *testing.T) {
	l := begin(t, drying, nil).containers("d1", "d2")
	l.facts.Minimum = &record.MinimumWeight{Mass: "20 mg", Source: "a test"}
	l.waits(ForScan, "lot")
	l.act(Act{Scan: "S-1"})
	l.waits(ForScan, "dish")
	l.act(Act{Scan: "d1"})
	l.waits(ForWeight, "tare")
	l.weigh("50.0000 g")
	n := l.waits(ForWeight, "wet")
	if tg := n.Target; tg == nil || tg.Low != "4500" && tg.Low != "4.5" || tg.Offset != "50" && tg.Offset != "50000" || tg.Unit != "mg" && tg.Unit != "g" {
		t.Errorf("the target is %+v", n.Target)
	}
	l.weigh("55.0000 g")
	l.act(Act{Scan: "S-2"})
	l.act(Act{Scan: "d2"})
	l.weigh("50.1000 g").weigh("55.1000 g")
	l.waits(ForScan, "lot")
	l.act(Act{Done: true})
	if n := l.waits(ForTime, "oven"); n.Due == nil {
		t.Fatal("nobody knows how long")
	}
	l.act(Act{Aside: true})
	l.refused(ada, Act{Done: true}, "the wait ends at")
	if steps := l.run.Pass(record.UTC(l.now.Add(time.Hour))); len(steps) != 0 {
		t.Fatalf("an hour is enough: %s", asJSON(t, steps))
	}
	l.later(18 * time.Hour)
	l.put(l.run.Pass(record.UTC(l.now)))
	l.waits(ForScan, "again")
	l.refused(ben, Act{Scan: "d2"}, "Ada performs this run: take it over first")
	l.actAs(ben, Act{Over: true})
	l.actAs(ben, Act{Scan: "d2"})
	l.waits(ForBalance, "dry")
	l.actAs(ben, Act{At: "b-1"})
	l.weigh("54.6000 g")
	steps := l.actAs(ben, Act{Scan: "d2"})
	if steps[0].Became != record.StepStopped || steps[0].Why != "container d2 is done already: the next one is wanted" {
		t.Errorf("%s", asJSON(t, steps))
	}
	l.actAs(ben, Act{Scan: "d1"})
	l.weigh("54.4500 g")
	l.waits(ForEnd, "")
	if got := l.results("loss"); !slices.Equal(got, []string{"11.0 %", "10.0 %"}) {
		t.Errorf("the losses are %v", got)
	}
	if got := l.results("average"); !slices.Equal(got, []string{"10.5 %"}) {
		t.Errorf("the mean is %v", got)
	}
	f := l.run.Found()
	if f.Verdict != record.CheckPassed || len(f.Weighings) != 6 || len(f.Unused) != 0 || !slices.Equal(f.People, []string{"ada", "ben"}) {
		t.Errorf("found %s", asJSON(t, f))
	}
}
