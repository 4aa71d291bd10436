package procedure

import (
	"strings"
	"testing"
	"time"

	"weighpost/gateway/record"
)

// TestSteppingBackSaysWhatIsLost: after the drying, the step before takes the drying with it, which then takes its time again.
func TestSteppingBackSaysWhatIsLost(t *testing.T) {
	l := begin(t, strings.Replace(drying, "minimum: refuse", "minimum: note", 1), nil).containers("d1")
	for _, id := range []string{"S-1", "d1"} {
		l.act(Act{Scan: id})
	}
	l.weigh("50.0000 g").weigh("55.0000 g")
	l.act(Act{Done: true})
	l.later(18 * time.Hour)
	l.put(l.run.Pass(record.UTC(l.now)))
	n := l.waits(ForScan, "again")
	if len(n.Undoes) != 2 || n.Undoes[0].Entry.Step != n.MayBack || n.Undoes[1].Entry.Step != "oven" || n.Undoes[1].For != "17h" {
		t.Fatalf("%s", asJSON(t, n.Undoes))
	}
	steps := l.act(Act{Back: "a dish was forgotten"})
	if len(steps) != len(n.Undoes) {
		t.Errorf("%d were said to be lost, and it was %s", len(n.Undoes), asJSON(t, steps))
	}
	l.act(Act{Done: true})
	if n := l.waits(ForTime, "oven"); n.Due == nil || n.Due.Time().Sub(l.now) < 16*time.Hour {
		t.Errorf("the drying ends %s", n.Due)
	}
}

// TestARunSaysWhatItWaitsForWhileAValueIsOutside, and no longer what has been done already.
func TestARunSaysWhatItWaitsForWhileAValueIsOutside(t *testing.T) {
	for outside, want := range map[string]string{
		"repeat":        "Net mass: 12.0000 g is outside its limits. Do it again, or have somebody with the right to let the run go on with it.",
		"reviewer":      "Net mass: 12.0000 g is outside its limits. Somebody with the right to lets the run go on with it, or has it done again.",
		"investigation": "Net mass: 12.0000 g is outside its limits. Somebody with the right to lets the run go on, with the reference of an investigation, or has it done again.",
	} {
		l := begin(t, "procedure: t\ntitle: T\nabout: nothing\nsteps:\n- {step: net, do: weigh, label: Net mass, say: Weigh it., limits: {at_most: 10 g, from: made up}, outside: "+outside+"}\nresults: [net]\n", nil)
		if n := l.waits(ForWeight, "net"); n.Say != "Weigh it." {
			t.Errorf("it says %q", n.Say)
		}
		l.weigh("12.0000 g")
		if n := l.waits(ForAllowed, "net"); n.Say != want || len(n.Undoes) != 1 {
			t.Errorf("%s: it says %q", outside, n.Say)
		}
	}
	l := begin(t, "procedure: t\ntitle: T\nabout: nothing\nsteps:\n- {step: n, do: ask, unit: \"1\"}\n- {step: part, do: compute, formula: 1 / n, limits: {from: made up}}\nresults: [part]\n", nil)
	l.act(Act{Answer: "0"})
	if n := l.waits(ForAllowed, "part"); !strings.Contains(n.Say, "cannot be computed") || !strings.HasSuffix(n.Say, ". Do the step before again, or have somebody with the right to let the run go on without it.") {
		t.Errorf("it says %q", n.Say)
	}
}
