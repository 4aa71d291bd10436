package procedure

import (
	"testing"

	"weighpost/gateway/record"
)

const unset = `
procedure: t
title: T
about: nothing
parameters:
- {name: least, unit: g, default: 0 g}
- {name: most, unit: g, default: none}
- {name: high, unit: g, default: none}
steps:
- {step: load, do: weigh, minimum: none, limits: {at_least: least, at_most: most, warn_above: high, from: what is asked for}}
results: [load]
`

// TestALimitThatNobodySetIsNoLimit: it is not shown, not recorded and holds nothing back; one that is given is all of that.
func TestALimitThatNobodySetIsNoLimit(t *testing.T) {
	for _, c := range []struct {
		given          map[string]string
		shown, verdict string
		rules          int
	}{
		{nil, "at least 0 g", record.CheckPassed, 1},
		{map[string]string{"most": "none"}, "at least 0 g", record.CheckPassed, 1},
		{map[string]string{"most": "1000000 g"}, "at least 0 g, at most 1000000 g", record.CheckPassed, 1},
		{map[string]string{"most": "4 g"}, "at least 0 g, at most 4 g", record.CheckFailed, 1},
		{map[string]string{"high": "4 g"}, "at least 0 g", record.CheckWarned, 2},
	} {
		l := begin(t, unset, c.given)
		if n := l.waits(ForWeight, "load"); n.Limits != c.shown {
			t.Errorf("%v: the limits are %q", c.given, n.Limits)
		}
		l.weigh("5.0000 g")
		e := l.log[len(l.log)-1]
		if got := record.WorstOf(e.Verdicts); got != c.verdict || len(e.Verdicts) != c.rules || e.Verdicts[0].Limit != c.shown {
			t.Errorf("%v: %s, %s; want %s", c.given, got, asJSON(t, e.Verdicts), c.verdict)
		}
	}
	if _, err := parse(t, unset).Given(map[string]string{"least": "none"}); err == nil {
		t.Error("a parameter that has a value is given as none")
	}
}
