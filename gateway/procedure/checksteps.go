package procedure

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"weighpost/parsers/strict"
)

// belongs says which kinds of step each key is for. Those that are not named are for all.
var belongs = map[string][]string{
	"what": {Identify, Environment}, "air": {Environment}, "kind": {Ask}, "unit": {Ask, Compute, Weigh, Environment}, "choices": {Ask}, "on": {Tare, Empty, Weigh},
	"less": {Weigh}, "from": {Weigh}, "target": {Weigh}, "tolerance": {Weigh}, "minimum": {Weigh}, "formula": {Compute}, "round": {Compute},
	"rounding": {Compute}, "limits": {Ask, Weigh, Empty, Compute, Environment}, "outside": {Ask, Weigh, Empty, Compute, Environment, Decide},
	"repeats": {Ask, Weigh, Empty, Compute, Environment}, "if": {Decide}, "then": {Decide}, "else": {Decide}, "at_most": {Decide}, "for": {Wait},
	"other_than": {Confirm},
}

// For lists the kinds of step that a key of a step is for; none: it is for all.
func For(key string) []string { return slices.Clone(belongs[key]) }

// written lists the keys of a step that say something.
func (s *Step) written() (keys []string) {
	for _, k := range []struct {
		key  string
		said bool
	}{
		{"what", s.What != ""}, {"air", s.Air}, {"kind", s.Kind != ""}, {"unit", s.Unit != ""}, {"choices", len(s.Choices) > 0}, {"on", s.On != ""}, {"less", s.Less != ""},
		{"from", s.From != ""}, {"target", s.Target != ""}, {"tolerance", s.Tolerance != ""}, {"minimum", s.Minimum != ""}, {"formula", s.Formula != ""},
		{"round", s.Round != ""}, {"rounding", s.Rule != ""}, {"limits", s.Limits != Limits{}}, {"outside", s.Outside != ""}, {"repeats", s.Repeats != nil},
		{"if", s.If != ""}, {"then", s.Then != ""}, {"else", s.Else != ""}, {"at_most", s.Back != 0}, {"for", s.For != 0}, {"other_than", s.Differs != ""},
	} {
		if k.said {
			keys = append(keys, k.key)
		}
	}
	return keys
}

// steps looks the steps over as far as that goes without their formulas. It is false where there is nothing to go on with.
func (c *checker) steps(r *strict.Report) bool {
	if n := len(c.d.Steps); n == 0 || n > MaxSteps {
		r.Fault(fmt.Sprintf("are %d", n), fmt.Sprintf("1 to %d", MaxSteps))
		return false
	}
	for i := range c.d.Steps {
		s, at := &c.d.Steps[i], r.Index(i)
		if c.name(at.At("step"), s.ID) {
			c.plan.byID[s.ID] = i
			c.names = append(c.names, s.ID)
		}
		one := planned{Step: s, block: -1}
		if s.In != "" {
			one.block = slices.IndexFunc(c.plan.blocks, func(b block) bool { return b.Name == s.In })
			if one.block < 0 {
				at.At("in").Fault(fmt.Sprintf("there is no block %.40q", s.In), "")
			}
		}
		c.plan.steps = append(c.plan.steps, one)
	}
	c.inBlocks(r)
	sound := true
	for i := range c.plan.steps {
		sound = c.step(r.Index(i), i) && sound
	}
	c.typed = make([]bool, len(c.plan.steps))
	return sound
}

// inBlocks finds where each block begins and ends.
func (c *checker) inBlocks(r *strict.Report) {
	for i := range c.plan.steps {
		n := c.plan.steps[i].block
		if n < 0 {
			continue
		}
		b := &c.plan.blocks[n]
		switch {
		case b.first < 0:
			b.first, b.last = i, i
			if b.items && c.plan.first < 0 {
				c.plan.first = n
			}
		case b.last != i-1:
			r.Index(i).At("in").Fault(fmt.Sprintf("the steps of the block %s do not follow each other: another stands between", b.Name), "all steps of a block in a row")
		default:
			b.last = i
		}
	}
	for n := range c.plan.blocks {
		b := &c.plan.blocks[n]
		if b.first < 0 {
			// the report stands at the steps; a block without any has no place there
			r.Fault(fmt.Sprintf("none belongs to the block %.40s", b.Name), "in: "+b.Name+" for its steps, or no such block")
			continue
		}
		first := c.plan.steps[b.first]
		if b.items && (first.Do != Identify || first.What == "reagent" || first.When != "") {
			r.Index(b.first).Fault(fmt.Sprintf("the first step of the block %s over items has to identify which it is, without a condition", b.Name),
				"do: identify, with what: sample or container")
		}
	}
}

// step looks one over. It is false where its flow is not known.
func (c *checker) step(r *strict.Report, i int) bool {
	s := &c.plan.steps[i]
	if !c.oneOf(r.At("do"), s.Do, Identify, Ask, Instruct, Tare, Empty, Weigh, Compute, Decide, Confirm, Wait, Environment) {
		return false
	}
	for _, key := range s.written() {
		if !slices.Contains(belongs[key], s.Do) {
			r.At(key).Fault(fmt.Sprintf("says nothing for a step to %s", s.Do), "leave it out: it is for "+strings.Join(belongs[key], ", "))
		}
	}
	c.text(r.At("say"), s.Say, maxSay)
	c.text(r.At("label"), s.Label, 200)
	if s.Outside != "" {
		c.oneOf(r.At("outside"), s.Outside, "note", "repeat", "reviewer", "investigation")
	}
	if s.Repeats != nil && (*s.Repeats < 1 || *s.Repeats > 20 || s.Outside != "repeat") {
		r.At("repeats").Fault(fmt.Sprintf("%d has no meaning here", *s.Repeats), "1 to 20, beside outside: repeat")
	}
	switch s.Do {
	case Identify:
		c.identify(r, s)
	case Instruct, Confirm:
		if strings.TrimSpace(s.Say) == "" {
			r.At("say").Fault("is empty", "what is to be done, in a sentence")
		}
		if s.Differs != "" {
			c.oneOf(r.At("other_than"), s.Differs, "performers", "last")
		}
	case Tare, Empty, Weigh:
		c.atBalance(r, s)
	case Decide:
		return c.decide(r, s, i)
	case Wait:
		r.At("for").Within(s.For, time.Second, 31*24*time.Hour)
	case Environment:
		c.oneOf(r.At("what"), s.What, "temperature", "humidity", "pressure")
	}
	return true
}

func (c *checker) identify(r *strict.Report, s *planned) {
	if !c.oneOf(r.At("what"), s.What, "sample", "container", "reagent") || s.What == "reagent" {
		return
	}
	about := c.d.About
	if about != "both" && about != s.What+"s" {
		r.At("what").Fault(fmt.Sprintf("is a %s, and the procedure is about %s", s.What, about), "about: "+s.What+"s, or both")
	}
	if c.d.Most > 1 && (s.block < 0 || !c.plan.blocks[s.block].items) {
		r.At("in").Fault("a run may be about several: which one is identified in a block over items", "in: the name of such a block, or most: 1")
	}
}

func (c *checker) atBalance(r *strict.Report, s *planned) {
	s.on = s.On
	_, known := c.d.Balances[s.On]
	switch {
	case s.On != "" && !known:
		r.At("on").Fault(fmt.Sprintf("there is no balance %.40q", s.On), "a name under balances")
	case s.On == "" && len(c.d.Balances) > 1:
		r.At("on").Fault("is missing: the procedure has several balances", "the name of one of them")
	case s.On == "" && len(c.d.Balances) == 1:
		for name := range c.d.Balances {
			s.on = name
		}
	}
	if s.Minimum != "" {
		c.oneOf(r.At("minimum"), s.Minimum, "refuse", "note", "none")
	}
	switch {
	case s.Less != "" && s.From != "":
		r.At("from").Fault("stands beside less: a net mass is one or the other", "less or from")
	case s.Tolerance != "" && s.Target == "":
		r.At("tolerance").Fault("is of a target, and there is none", "target beside it")
	case s.Target != "" && s.Tolerance == "":
		r.At("target").Fault("has no tolerance: nobody could say when it is reached", "tolerance beside it, such as 0.5 mg or 2 %")
	}
}

// decide finds where a decision leads.
func (c *checker) decide(r *strict.Report, s *planned, i int) bool {
	sound := true
	if s.If == "" {
		r.At("if").Fault("is missing", "a condition")
	}
	for _, way := range []struct {
		key, to string
		at      *int
	}{{"then", s.Then, &s.then}, {"else", s.Else, &s.other}} {
		*way.at = i + 1
		switch to, known := c.plan.byID[way.to]; {
		case way.to == "":
		case way.to == "end" && s.block < 0:
			*way.at = len(c.plan.steps)
		case way.to == "end":
			r.At(way.key).Fault("would end the run within a block", "a step of the same block")
		case !known:
			r.At(way.key).Fault(fmt.Sprintf("there is no step %.40q", way.to), "a step, or end")
			sound = false
		default:
			if why := c.wrongWay(i, to); why != "" {
				r.At(way.key).Fault(why, "")
				sound = false
			}
			*way.at = to
		}
	}
	back := s.then <= i || s.other <= i
	switch {
	case s.Then == "" && s.Else == "":
		r.Fault("decides nothing: both ways go on with the step that follows", "then or else")
	case s.then <= i && s.other <= i:
		r.Fault("leads back either way", "one way that goes on")
	case back && (s.Back < 1 || s.Back > MaxBack):
		r.At("at_most").Fault(fmt.Sprintf("%d is no number of times that it may lead back", s.Back),
			fmt.Sprintf("1 to %d: without it the steps could go round for ever", MaxBack))
	case !back && s.Back != 0:
		r.At("at_most").Fault("says nothing where no way leads back", "leave it out")
	}
	return sound
}

// wrongWay says why a decision may not lead to a step.
func (c *checker) wrongWay(from, to int) string {
	a, b := c.plan.steps[from].block, c.plan.steps[to].block
	id := c.plan.steps[to].ID
	switch {
	case from == to:
		return "leads to the decision itself"
	case a >= 0 && a != b:
		return fmt.Sprintf("%s is outside the block: a decision in a block leads to a step of that block", id)
	case a >= 0 && c.plan.blocks[a].items && to == c.plan.blocks[a].first:
		return fmt.Sprintf("%s identifies another item: a decision in a block over items stays with its own", id)
	case a != b && to != c.plan.blocks[b].first:
		return fmt.Sprintf("%s is inside a block: a decision leads to its first step, %s", id, c.plan.steps[c.plan.blocks[b].first].ID)
	}
	return ""
}

// unitOf is the unit of a step's value where its definition says none.
func (s *Step) unitOf() string {
	switch s.Do {
	case Weigh, Empty:
		return cmp.Or(s.Unit, "g")
	case Environment:
		return cmp.Or(s.Unit, map[string]string{"temperature": "Cel", "humidity": "%", "pressure": "hPa"}[s.What], "1")
	case Ask:
		if cmp.Or(s.Kind, "quantity") == "quantity" {
			return cmp.Or(s.Unit, "1")
		}
	}
	return s.Unit
}
