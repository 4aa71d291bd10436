package procedure

import (
	"testing"

	"weighpost/gateway/record"
)

// TestASlipOfAStepThatIsDoneAgainMayBeUsedAgain: the wrong item was on the pan, and the slip is of the right weighing all the same. It is used
// by one step at a time.
func TestASlipOfAStepThatIsDoneAgainMayBeUsedAgain(t *testing.T) {
	l := begin(t, overItems(oneEach), nil, item("S-1", "c1"), item("S-2", "c2")).containers("c1", "c2")
	l.facts.Late = func(entry string) (*record.LateEntered, error) {
		slip := &record.LateEntered{Balance: l.facts.Balance, Value: record.Value{Digits: entry, Unit: "g", Kind: "gross", Stability: "stable", Range: "in"}}
		slip.ID = "slip of " + entry
		return slip, nil
	}
	for _, id := range []string{"S-1", "c1"} {
		l.act(Act{Scan: id})
	}
	l.act(Act{Late: "50.0000"})
	l.refused(ada, Act{Late: "50.0000"}, "the slip is in this run already")
	l.act(Act{Back: "the wrong slip"})
	l.waits(ForWeight, "empty")
	l.act(Act{Late: "50.0000"})
	l.waits(ForWeight, "net")
	l.refused(ada, Act{Late: "50.0000"}, "the slip is in this run already")
	l.act(Act{Late: "52.5000"})
	if got := l.results("net"); len(got) != 2 || got[0] != "2.5000 g" {
		t.Errorf("the results are %v", got)
	}
	if f := l.run.Found(); len(f.Weighings) != 2 || len(f.Unused) != 0 {
		t.Errorf("%s", asJSON(t, f))
	}
}
