package procedure

import (
	"cmp"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"weighpost/gateway/formula"
	"weighpost/parsers/strict"
)

var (
	mass    = formula.In(mustUnit("g"))
	percent = mustUnit("%")
)

func mustUnit(code string) formula.Unit {
	u, err := formula.ParseUnit(code)
	if err != nil {
		panic(err) // a constant of this package
	}
	return u
}

// formulas reads every formula, in the order of the steps, so that what a step gives is known to those after it.
func (c *checker) formulas(r *strict.Report) {
	for i := range c.plan.steps {
		c.stepFormulas(r.At("steps").Index(i), i)
		for n := range c.plan.blocks {
			if b := &c.plan.blocks[n]; b.last == i && b.first >= 0 && b.While != "" {
				b.more = c.read(r.At("blocks").Index(n).At("more_while"), b.While, place{step: i, block: n, whole: true}, &formula.Truth, formula.Options{})
			}
		}
	}
}

func (c *checker) stepFormulas(r *strict.Report, i int) {
	s := &c.plan.steps[i]
	if c.flow.passed[i] == nil { // never reached, which was told
		c.typed[i] = true
		return
	}
	at := place{step: i, block: s.block, when: s.When}
	s.when = c.read(r.At("when"), s.When, place{step: i, block: s.block}, &formula.Truth, formula.Options{})
	c.typeOf(r, s, at)
	c.typed[i] = true
	c.limitsFit(r.At("limits"), s.Limits, s.Kind, s.typ)
	if s.typ.Kind == formula.KindQuantity {
		for k, l := range s.Limits.all() {
			limit := at
			_, limit.bare = c.param[l.text]
			s.limits[k] = c.read(r.At("limits").At(l.key), l.text, limit, &s.typ, formula.Options{})
		}
	}
	if s.Do == Decide {
		at.prior = true
		s.cond = c.read(r.At("if"), s.If, at, &formula.Truth, formula.Options{})
	}
	if s.Do == Weigh {
		c.weighing(r, s, at)
	}
	s.say = c.sentence(r.At("say"), s.Say, at)
}

// typeOf finds what a step gives.
func (c *checker) typeOf(r *strict.Report, s *planned, at place) {
	s.unit = s.unitOf()
	switch s.Do {
	case Identify:
		s.typ = formula.Text
	case Ask:
		s.typ = c.answerType(r, cmp.Or(s.Kind, "quantity"), s.unit, s.Choices)
	case Weigh, Empty, Environment:
		u, err := formula.ParseUnit(s.unit)
		if err != nil {
			r.At("unit").Fault(err.Error(), "")
			return
		}
		s.typ = formula.In(u)
		if s.Do != Environment && !s.typ.Same(mass) {
			r.At("unit").Fault(fmt.Sprintf("%s is for %s, and a weighing is a mass", u.Code(), u.Dimension()), "g, mg, kg …")
			s.typ = mass
		}
		if want := formula.In(mustUnit(environmentUnit[s.What])); s.Do == Environment && environmentUnit[s.What] != "" && !s.typ.Same(want) {
			r.At("unit").Fault(fmt.Sprintf("%s is for %s", u.Code(), u.Dimension()), environmentUnit[s.What])
		}
	case Compute:
		c.computed(r, s, at)
	}
}

var environmentUnit = map[string]string{"temperature": "Cel", "humidity": "%", "pressure": "hPa"}

func (c *checker) computed(r *strict.Report, s *planned, at place) {
	if s.Formula == "" {
		r.At("formula").Fault("is missing", "what the value is")
		return
	}
	rounding, why := s.rounding()
	if why != "" {
		r.At("round").Fault(why, "a step such as 0.01 g, 3 digits, or 2 decimals")
	}
	if s.Rule != "" && (s.Round == "" || !c.oneOf(r.At("rounding"), s.Rule, "half-even", "half-up", "down", "up")) {
		r.At("rounding").Fault("says how and not to what", "round beside it")
		return
	}
	at.prior = true
	text := s.Formula
	if q, err := formula.ParseQuantity(text); err == nil { // a formula in any case, so that its rounding and its unit hold
		if text = `"` + text + `"`; q.Unit.Code() == "1" {
			text = "+" + strings.TrimPrefix(strings.Trim(text, `"`), "+")
		}
	}
	s.formula = c.read(r.At("formula"), text, at, nil, formula.Options{Unit: s.Unit, Rounding: rounding})
	if s.formula == nil {
		return
	}
	if q, err := formula.ParseQuantity(rounding.To); rounding.To != "" && err == nil && q.Unit.Code() == "1" && s.formula.f.Type().Unit.Code() != "1" {
		r.At("round").Fault(fmt.Sprintf("%s has no unit: give it that of the value, as in %s %s", s.Round, s.Round, s.formula.f.Type().Unit.Code()), "")
	}
	if s.typ = s.formula.typ(); s.typ.Kind == formula.KindList {
		r.At("formula").Fault("gives a list, and a step has one value", "mean, median, max or another function around it")
		s.typ = formula.Type{}
		return
	}
	c.excluded(s, text, at)
}

var rounds = regexp.MustCompile(`^([0-9]{1,2}) (digits?|decimals?)$`)

// rounding reads to what a value is rounded.
func (s *Step) rounding() (r formula.Rounding, why string) {
	if s.Round == "" {
		return r, ""
	}
	r.Rule = s.Rule
	if m := rounds.FindStringSubmatch(s.Round); m != nil {
		n, _ := strconv.Atoi(m[1]) // one or two digits
		if strings.HasPrefix(m[2], "digit") {
			if r.Significant = n; n == 0 {
				return r, "0 digits are none"
			}
			return r, ""
		}
		r.Decimals = &n
		return r, ""
	}
	if _, err := formula.ParseQuantity(s.Round); err != nil {
		return r, err.Error()
	}
	r.To = s.Round
	return r, ""
}

var withins = regexp.MustCompile(`\bwithin\( *([a-z][a-z0-9_]*) *, *([0-9]+(?:\.[0-9]+)?) *\)`)

// excluded finds where a formula leaves out values that lie too far off, so that the record can name them.
func (c *checker) excluded(s *planned, text string, at place) {
	for _, m := range withins.FindAllStringSubmatch(text, 10) {
		one, why, known := c.find(m[1], at)
		if !known || why != "" || one.how != several {
			continue
		}
		f, err := formula.Compile(m[0], formula.Options{Names: map[string]formula.Type{m[1]: one.typ}})
		if err == nil {
			s.within = append(s.within, &excluding{list: one, kept: &expression{text: m[0], f: f, refs: []ref{one}}})
		}
	}
}

// weighing reads what a weighing is held against.
func (c *checker) weighing(r *strict.Report, s *planned, at place) {
	if key, name := "less", s.Less; name != "" || s.From != "" {
		if name == "" {
			key, name, s.removing = "from", s.From, true
		}
		s.less = c.takenOff(r.At(key), name, at)
	}
	s.target = c.read(r.At("target"), s.Target, at, &mass, formula.Options{})
	if s.Tolerance == "" {
		return
	}
	s.tolerance = c.read(r.At("tolerance"), s.Tolerance, at, nil, formula.Options{})
	switch {
	case s.tolerance == nil:
	case s.tolerance.typ().Same(mass):
	case s.tolerance.plain != nil && s.tolerance.plain.Quantity.Unit.Code() == percent.Code():
		s.percent = true
	default:
		r.At("tolerance").Fault("is neither a mass nor per cent of the target", "such as 0.5 mg or 2 %")
	}
	if s.tolerance != nil && s.tolerance.plain != nil && s.tolerance.plain.Quantity.Value().Sign() < 0 {
		r.At("tolerance").Fault("is below zero", "such as 0.5 mg or 2 %")
	}
}

// takenOff finds the value that a weighing's net mass is made with.
func (c *checker) takenOff(r *strict.Report, name string, at place) *ref {
	one, why, known := c.find(name, at)
	switch {
	case !known:
		r.Fault(fmt.Sprintf("there is no value named %.40s", name), "the name of a step or a parameter")
		return nil
	case why != "":
		r.Fault(why, "")
		return nil
	case one.how == several:
		r.Fault(fmt.Sprintf("%s is a list here, and one mass is taken off", name), "a value of this block, of another over the same items, or of a step outside blocks")
		return nil
	case !one.typ.Same(mass):
		r.Fault(fmt.Sprintf("%s is %s, and a mass is taken off", name, one.typ), "")
		return nil
	}
	if one.how == given || !c.plan.steps[one.index].weighs() {
		return &one
	}
	for i := one.index + 1; i < at.step; i++ {
		if c.plan.steps[i].Do == Tare && c.plan.steps[i].block == at.block {
			r.Fault(fmt.Sprintf("the balance is tared between %s and this step (%s), so that what it shows is the net mass already", name, c.plan.steps[i].ID),
				"leave it out, or leave the tare out")
			return nil
		}
	}
	return &one
}

var holes = regexp.MustCompile(`\{([^{}]*)\}|[{}]`)

// sentence cuts what is said into its text and the values in it.
func (c *checker) sentence(r *strict.Report, text string, at place) (all []piece) {
	from := 0
	for _, m := range holes.FindAllStringSubmatchIndex(text, -1) {
		all = append(all, piece{text: text[from:m[0]]})
		if from = m[1]; m[2] < 0 {
			r.Fault("has a brace that belongs to no other", "{name}, where name is a parameter or a step")
			return nil
		}
		name := text[m[2]:m[3]]
		one, why, known := c.find(name, at)
		switch {
		case !known:
			r.Fault(fmt.Sprintf("{%.40s} stands for nothing", name), "a parameter or a step with a value")
		case why != "":
			r.Fault(why, "")
		case one.how == several:
			r.Fault(fmt.Sprintf("{%s} is a list here, and a sentence shows one value", name), "")
		default:
			all = append(all, piece{value: &expression{text: name, refs: []ref{one}}})
		}
	}
	return append(all, piece{text: text[from:]})
}
