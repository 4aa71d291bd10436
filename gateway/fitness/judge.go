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

// Now is the fitness of a balance as its records say it, and whether sinks hold back what is weighed now.
func (r *Room) Now(balance string) record.Fitness {
	now := r.Of(balance)
	if now.State == record.OutOfService {
		b, _ := r.configured(balance)
		now.Held = b.Config.Unfit != Mark
	}
	return now
}

// Judge holds a net quantity against the minimum weight in force of its balance. Gross and tare say nothing of the quantity that matters,
// and are not judged; neither is anything while the minimum weight that is configured is not known.
func (r *Room) Judge(w *record.Weighing) []record.Verdict {
	b, ok := r.configured(w.Balance.ID)
	if !ok || b.Config.Minimum == (Minimum{Unmarked: b.Config.Minimum.Unmarked}) || w.Value.Range != layout.InRange.String() || w.Value.Digits == "" {
		return nil
	}
	v := record.Verdict{Rule: RuleMinimum}
	m, why := r.Minimum(w.Balance.ID)
	switch kind := w.Value.Kind; {
	case m == nil:
		v.NotJudged, v.Why = true, "no minimum weight is known: "+why
		return []record.Verdict{v}
	case kind == layout.KindNet.String(), kind == layout.KindUnknown.String() && b.Config.Minimum.Unmarked == "net":
	case kind == layout.KindUnknown.String():
		v.NotJudged, v.Why = true, "the balance does not say whether this is gross or net"
		return []record.Verdict{v}
	default:
		v.NotJudged, v.Why = true, "it is "+kind+", and the net quantity is what matters"
		return []record.Verdict{v}
	}
	return []record.Verdict{judged(v, &w.Value, m)}
}

// judged compares a quantity, without its sign, with a minimum weight.
func judged(v record.Verdict, value *record.Value, m *record.MinimumWeight) record.Verdict {
	v.Limit, v.From = string(m.Mass), m.Source
	least, err := metrology.ParseMass(string(m.Mass))
	x, ok := number(value.Digits)
	if err != nil || !ok {
		v.NotJudged, v.Why = true, fmt.Sprintf("%q cannot be held against %s", value.Shown(), m.Mass)
		return v
	}
	grams, err := metrology.Grams(x, value.Unit)
	if err != nil {
		v.NotJudged, v.Why = true, err.Error()
		return v
	}
	if v.Pass = new(big.Rat).Abs(grams).Cmp(least) >= 0; !v.Pass {
		v.Why = fmt.Sprintf("%s is below the minimum weight %s of this balance", value.Shown(), m.Mass)
	}
	return v
}
