package procedure

import (
	"fmt"
	"slices"

	"weighpost/gateway/record"
)

// now is a value as it is from here on; nil: there is none, or none any more.
func (st *state) now(v *value) *value {
	if v == nil {
		return nil
	}
	if n, is := st.anew[v.entry]; is {
		return n.v
	}
	return v
}

// touched says whether what a name stands for in a pass was worked out anew.
func (st *state) touched(one ref, pass int) bool {
	among := st.values
	switch {
	case len(st.anew) == 0 || one.how == given:
		return false
	case one.how == several:
		return slices.ContainsFunc(st.recorded(one.index), func(v *value) bool { _, is := st.anew[v.entry]; return is })
	case one.how == earlier:
		among = st.prior
	}
	if one.how == single || st.plan.steps[one.index].block < 0 {
		pass = 0
	}
	v := among[at{one.index, pass}]
	if v == nil {
		return false
	}
	_, is := st.anew[v.entry]
	return is
}

func (st *state) touchedIn(e *expression, pass int) bool {
	return e != nil && slices.ContainsFunc(e.refs, func(one ref) bool { return st.touched(one, pass) })
}

// touchedBlock says whether the values of a step of a block were worked out anew, or what its replicate rule looks at.
func (st *state) touchedBlock(one ref, b *block) bool {
	return st.touched(one, 0) || st.touchedIn(b.more, 0)
}

// recorded gives what a step of a block found in each pass, as it was recorded.
func (st *state) recorded(step int) []*value {
	was := *st
	was.anew = nil
	return was.passesOf(step)
}

// repliesAnew judges whether there are still as many values of a block as its rules ask for.
func (st *state) repliesAnew(one ref, b *block, add func(record.Verdict)) {
	had, left := len(st.recorded(one.index)), len(st.passesOf(one.index))
	if left < had {
		add(record.Verdict{Rule: record.RuleReplies, Limit: fmt.Sprintf("all %d of %s", had, one.shown), Why: fmt.Sprintf("%d of %d are left", left, had)})
	}
	if b.more == nil {
		return
	}
	v := record.Verdict{Rule: record.RuleReplies, Limit: "not " + b.While}
	switch out, _, err := st.work(b.more, 0); {
	case err != nil:
		v.Why = fmt.Sprintf("the condition cannot be worked out with the %d that are left: %v", left, err)
	case out.Value.Truth:
		v.Why = fmt.Sprintf("the condition holds with the %d that are left: the procedure asks for more", left)
	default:
		return
	}
	add(v)
}

// leftOut names the values that a formula would have used and that are not there any more, each with why.
func (st *state) leftOut(s *planned) (all []string) {
	if len(st.anew) == 0 || s.formula == nil {
		return nil
	}
	for _, one := range s.formula.refs {
		if one.how != several {
			continue
		}
		for _, v := range st.recorded(one.index) {
			if n, is := st.anew[v.entry]; is && n.v == nil {
				all = append(all, fmt.Sprintf("%s %d: %s, since %s", one.shown, v.entry.Pass, v.text, n.why))
			}
		}
	}
	return all
}
