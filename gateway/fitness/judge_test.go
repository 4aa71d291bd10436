package fitness_test

import (
	"strings"
	"testing"

	"weighpost/gateway/fitness"
	"weighpost/gateway/record"
)

// TestTheNetQuantityIsJudged holds net quantities against the minimum weight, and neither gross nor tare.
func TestTheNetQuantityIsJudged(t *testing.T) {
	for _, c := range []struct {
		digits, unit, kind, unmarked string
		judged, pass                 bool
	}{
		{"20.0", "mg", "net", "", true, true},
		{"19.9", "mg", "net", "", true, false},
		{"-19.9", "mg", "net", "", true, false}, // taken away: the difference counts, not its sign
		{"-20.0", "mg", "net", "", true, true},
		{"0.02000", "g", "net", "", true, true},
		{"0.01999", "g", "unknown", "net", true, false},
		{"0.01999", "g", "unknown", "not-judged", false, false},
		{"0.01999", "g", "unknown", "", false, false},
		{"0.01999", "g", "gross", "net", false, false},
		{"0.01999", "g", "tare", "net", false, false},
		{"0.01999", "", "net", "", false, false}, // a unit that is none
	} {
		cfg := fitness.Default()
		cfg.Minimum = fitness.Minimum{Mass: "20 mg", Unmarked: c.unmarked}
		l := newLab(t, cfg)
		got := l.room.Judge(&record.Weighing{Balance: record.Balance{ID: "b-12"}, Value: record.Value{Digits: c.digits, Unit: c.unit, Kind: c.kind, Range: "in"}})
		if len(got) != 1 || got[0].Rule != fitness.RuleMinimum || got[0].NotJudged == c.judged || got[0].Pass != c.pass || c.judged && got[0].From != "set by the lab" {
			t.Errorf("%+v: %+v", c, got)
		}
	}
	l := newLab(t, fitness.Default())
	w := &record.Weighing{Balance: record.Balance{ID: "b-12"}, Value: record.Value{Digits: "1", Unit: "g", Kind: "net", Range: "in"}}
	if got := l.room.Judge(w); got != nil {
		t.Errorf("no minimum weight is configured, and %+v", got)
	}
	cfg := fitness.Default()
	cfg.Minimum.USP41 = true
	l = newLab(t, cfg)
	if got := l.room.Judge(w); len(got) != 1 || !got[0].NotJudged || !strings.Contains(got[0].Why, "ten weighings") {
		t.Errorf("an unknown minimum weight: %+v", got)
	}
}

// TestUnfitWeighingsAreHeld says in the record whether sinks hold it back.
func TestUnfitWeighingsAreHeld(t *testing.T) {
	for unfit, held := range map[string]bool{fitness.Mark: false, fitness.Hold: true, fitness.Refuse: true, "": true} {
		cfg := fitness.Default()
		cfg.Unfit = unfit
		l := newLab(t, cfg)
		if now := l.room.Now("b-12"); now.Held || now.State != record.FitnessUnknown {
			t.Errorf("%q: %+v", unfit, now)
		}
		l.does(l.room.TakeOut(t.Context(), "b-12", "dropped", ada))
		if now := l.room.Now("b-12"); now.Held != held || now.State != record.OutOfService {
			t.Errorf("%q: %+v", unfit, now)
		}
	}
}

// TestACheckThatWasBegunLiftsNothing: while a balance that is out of service is checked, what it prints beside the check is held as before,
// and where the policy is refuse nobody has a weight recorded. The same holds on a balance that was in service, since whether it is fit is what
// the check has to find out; once that has passed, nothing is held.
func TestACheckThatWasBegunLiftsNothing(t *testing.T) {
	for _, unfit := range []string{fitness.Mark, fitness.Hold, fitness.Refuse} {
		cfg := daily()
		cfg.Unfit = unfit
		l := newLab(t, cfg)
		begin := func() {
			l.does(l.room.Begin(t.Context(), &record.CheckBegun{Check: record.CheckRef{Definition: "daily"}, Balance: record.Balance{ID: "b-12"},
				Why: record.CheckAsked, By: ada}))
			l.state(record.InCheck)
		}
		l.does(l.room.TakeOut(t.Context(), "b-12", "dropped", ada))
		if why := l.room.Refusal("b-12"); (why != "") != (unfit == fitness.Refuse) || why != "" && !strings.Contains(why, "(dropped)") {
			t.Errorf("%s, out of service: %q", unfit, why)
		}
		begin()
		if now := l.room.Now("b-12"); now.Held != (unfit != fitness.Mark) || now.State != record.InCheck {
			t.Errorf("%s, in check: %+v", unfit, now)
		}
		if why := l.room.Refusal("b-12"); (why != "") != (unfit == fitness.Refuse) || why != "" && !strings.Contains(why, "(dropped)") {
			t.Errorf("%s, in check: %q", unfit, why)
		}
		l = newLab(t, cfg)
		begin()
		if now, why := l.room.Now("b-12"), l.room.Refusal("b-12"); now.Held != (unfit != fitness.Mark) || (why != "") != (unfit == fitness.Refuse) || why != "" && !strings.Contains(why, "check of balance b-12 is under way") {
			t.Errorf("%s, a check of a balance that is in service: %+v, %q", unfit, now, why)
		}
		if out, _ := l.room.Out("b-12"); out {
			t.Errorf("%s, a check of a balance that is in service: it is out of service", unfit)
		}
		begun, _ := l.room.Running("b-12")
		l.does(l.room.End(t.Context(), &record.CheckEnded{Check: begun.Check, Balance: begun.Balance, Outcome: record.CheckPassed, By: ada}))
		if now, why := l.room.Now("b-12"), l.room.Refusal("b-12"); now.Held || why != "" {
			t.Errorf("%s, in service: %+v, %q", unfit, now, why)
		}
	}
}
