package procedure

import (
	"cmp"
	"fmt"
	"strings"

	"weighpost/gateway/formula"
	"weighpost/gateway/record"
)

// outside is what a value outside its limits needs.
func (s *Step) outside() string { return cmp.Or(s.Outside, "reviewer") }

// repeats is how often a step may be repeated without a reviewer.
func (s *Step) repeats() int {
	switch {
	case s.Outside != "repeat":
		return 0
	case s.Repeats == nil:
		return 1
	}
	return *s.Repeats
}

func startsWith(s, begin string) bool { return strings.HasPrefix(s, begin) }

// judge holds a value against the limits of its step. The value is that which is reported: rounded, where it is rounded.
func (st *state) judge(s *planned, v formula.Value, pass int) (all []record.Verdict) {
	l := &s.Limits
	if l.Text != "" && v.Kind != formula.KindQuantity {
		text := v.Text
		if v.Kind == formula.KindTruth {
			text = yesOrNo(v.Truth)
		}
		return []record.Verdict{{Rule: record.RuleLimits, Pass: startsWith(text, l.Text), Limit: "begins with " + l.Text, From: l.From}}
	}
	for _, pair := range []struct {
		rule   string
		lo, hi int
		less   string
		more   string
	}{{record.RuleLimits, atLeast, atMost, "at least", "at most"}, {record.RuleWarning, warnBelow, warnAbove, "not below", "not above"}} {
		if st.unset(s.limits[pair.lo]) && st.unset(s.limits[pair.hi]) {
			continue
		}
		one := record.Verdict{Rule: pair.rule, Pass: true, From: l.From}
		var words []string
		for _, side := range []struct {
			e    *expression
			sign int
			say  string
		}{{s.limits[pair.lo], -1, pair.less}, {s.limits[pair.hi], 1, pair.more}} {
			if st.unset(side.e) {
				continue
			}
			out, _, err := st.work(side.e, pass)
			if err != nil {
				one.Pass, one.Why = false, fmt.Sprintf("the limit %s cannot be worked out: %v", side.e.text, err)
				words = append(words, side.say+" "+side.e.text)
				continue
			}
			q := out.Value.Quantity
			words = append(words, side.say+" "+q.String())
			if compare(v.Quantity, q) == side.sign {
				one.Pass = false
			}
		}
		one.Limit = strings.Join(words, ", ")
		all = append(all, one)
	}
	return all
}

// unset says whether there is no such limit: none is in the definition, or it is a parameter that nobody gave.
func (st *state) unset(e *expression) bool {
	return e == nil || len(e.refs) == 1 && e.refs[0].how == given && e.text == e.refs[0].shown && st.params[e.refs[0].index].Kind == 0
}

// limitsOf says the limits of a step in words, as far as they can be told now.
func (st *state) limitsOf(s *planned, pass int) string {
	if s.Limits.Text != "" {
		return "begins with " + s.Limits.Text
	}
	var words []string
	for i, say := range []string{"at least ", "at most "} {
		e := s.limits[i]
		if st.unset(e) {
			continue
		}
		if out, _, err := st.work(e, pass); err == nil {
			words = append(words, say+out.Value.Quantity.String())
		} else {
			words = append(words, say+e.text)
		}
	}
	return strings.Join(words, ", ")
}
