package config

import (
	"testing"

	"weighpost/gateway/fitness"
)

// TestWhatIsLeftOutIsSafe: where the settings of a balance's fitness say nothing, or there are none, weighings on a balance out of service are held
// back, and an overdue check is warned of. Both are said by name, so that pages can say them.
func TestWhatIsLeftOutIsSafe(t *testing.T) {
	f := Fitness{Balances: []FitnessOf{{Balance: "b-2"}, {Balance: "b-3", Config: fitness.Config{Unfit: fitness.Mark, Overdue: fitness.OutsideLimits}}}}
	for balance, want := range map[string][2]string{"b-1": {"hold", "warn"}, "b-2": {"hold", "warn"}, "b-3": {"mark", "out-of-service"}} {
		if c := f.Of(balance); c.Unfit != want[0] || c.Overdue != want[1] {
			t.Errorf("%s: unfit %q, overdue %q, want %q", balance, c.Unfit, c.Overdue, want)
		}
	}
	f.All.Unfit = fitness.Refuse
	if c := f.Of("b-1"); c.Unfit != fitness.Refuse || f.Of("b-2").Unfit != fitness.Hold {
		t.Errorf("%+v", c)
	}
}
