package fitness

import (
	"fmt"
	"math/big"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// RuleMinimum is the rule of the verdict on a net quantity that may be too small for its balance.
const RuleMinimum = "minimum-weight"

// Now is the fitness of a balance as its records say it, and whether sinks hold back what is weighed now. What a balance in check prints, and
// the check does not take, is treated as if the balance were out of service: whether it is fit is what the check has to find out, and the
// print may be of a reference weight. So is what comes while the journal is still being read: the balance may be out of service.
func (r *Room) Now(balance string) record.Fitness {
	now := r.Of(balance)
	b, _ := r.configured(balance)
	now.Held = b.Config.Unfit != Mark && (now.State == record.OutOfService || now.State == record.InCheck || !r.Ready())
	return now
}

// Refusal says in a sentence why nobody can have a weight recorded at a screen or by a request now; "": they can. What the balance prints
// by itself or by its key is recorded all the same.
func (r *Room) Refusal(balance string) string {
	b, ok := r.configured(balance)
	if !ok || b.Config.Unfit != Refuse {
		return ""
	}
	state := r.Of(balance).State
	out, reason := r.out(balance, state)
	switch {
	case !r.Ready():
		return "Whether balance " + balance + " is out of service is still being read from the journal: try again in a moment."
	case !out && state == record.InCheck:
		return fmt.Sprintf("A check of balance %s is under way: no weight is recorded here until it has ended. The balance itself can still show "+
			"a weight.", balance)
	case !out:
		return ""
	}
	return fmt.Sprintf("Balance %s is out of service (%s): no weight is recorded here until a check has passed, or somebody with the right "+
		"has put it back into service. The balance itself can still show a weight.", balance, reason)
}

// Out says whether a balance is out of service, also while it is checked then, and what becomes of its weighings: mark, hold or refuse.
func (r *Room) Out(balance string) (out bool, policy string) {
	b, _ := r.configured(balance)
	out, _ = r.out(balance, r.Of(balance).State)
	return out, b.Config.Unfit
}

// out says whether a balance that is in a state is out of service, with the reason: a check that was begun on it does not lift that.
func (r *Room) out(balance, state string) (bool, string) {
	if state != record.OutOfService && state != record.InCheck {
		return false, ""
	}
	b, _ := r.configured(balance)
	at := r.o.Stamp().UTC.Time()
	r.view.Lock()
	defer r.view.Unlock()
	f := *r.file(balance)
	if state == record.OutOfService {
		return true, f.Reason
	}
	f.Running = nil
	state, _, reason := f.stateOf(b.Config, r.began, at, r.o.Zone)
	return state == record.OutOfService, reason
}

// Judge holds a net quantity against the minimum weight in force of its balance. Gross and tare say nothing of the quantity that matters,
// and are not judged; neither is anything while the minimum weight that is configured is not known.
func (r *Room) Judge(w *record.Weighing) []record.Verdict {
	b, ok := r.configured(w.Balance.ID)
	if !ok || b.Config.Minimum == (Minimum{Unmarked: b.Config.Minimum.Unmarked}) || w.Value.Range != layout.InRange.String() || w.Value.Digits == "" {
		return nil
	}
	v := record.Verdict{Rule: RuleMinimum}
	known := r.minimum(w.Balance.ID, b)
	switch kind := w.Value.Kind; {
	case known.m == nil:
		v.NotJudged, v.Why = true, "no minimum weight is known: "+known.why
		return []record.Verdict{v}
	case kind == layout.KindNet.String(), kind == layout.KindUnknown.String() && b.Config.Minimum.Unmarked == "net":
	case kind == layout.KindUnknown.String():
		v.NotJudged, v.Why = true, "the balance does not say whether this is gross or net"
		return []record.Verdict{v}
	default:
		v.NotJudged, v.Why = true, "it is "+kind+", and the net quantity is what matters"
		return []record.Verdict{v}
	}
	return []record.Verdict{judged(v, &w.Value, known)}
}

// judged compares a quantity, without its sign, with a minimum weight.
func judged(v record.Verdict, value *record.Value, known minimum) record.Verdict {
	m := known.m
	v.Limit, v.From = string(m.Mass), m.Source
	x, ok := metrology.ParseNumber(value.Digits)
	if known.unread != nil || !ok {
		v.NotJudged, v.Why = true, fmt.Sprintf("%q cannot be held against %s", value.Shown(), m.Mass)
		return v
	}
	grams, err := metrology.Grams(x, value.Unit)
	if err != nil {
		v.NotJudged, v.Why = true, err.Error()
		return v
	}
	if v.Pass = new(big.Rat).Abs(grams).Cmp(known.least) >= 0; !v.Pass {
		v.Why = fmt.Sprintf("%s is below the minimum weight %s of this balance", value.Shown(), m.Mass)
	}
	return v
}
