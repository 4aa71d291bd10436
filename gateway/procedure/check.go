package procedure

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// checker looks a definition over and makes its plan.
type checker struct {
	d     *Definition
	plan  *plan
	param map[string]int
	names []string // parameters and steps, in their order
	typed []bool   // by step: the type of its value is known, or that it has none
	flow  *flow
}

// hasNone are the kinds of step that never have a value.
var hasNone = map[string]bool{Instruct: true, Tare: true, Decide: true, Confirm: true, Wait: true}

// Check adds what is wrong with a definition, and makes it ready to be opened where nothing is.
func (d *Definition) Check(r *strict.Report) {
	before := len(r.Faults())
	c := &checker{d: d, plan: &plan{byID: map[string]int{}, first: -1}, param: map[string]int{}}
	c.head(r)
	c.parameters(r.At("parameters"))
	c.balances(r.At("balances"))
	c.blocks(r.At("blocks"))
	if c.steps(r.At("steps")) {
		c.flow = c.follow(r.At("steps"))
		c.formulas(r)
		c.results(r.At("results"))
		c.size(r)
	}
	if len(r.Faults()) == before {
		d.plan = c.plan
	}
}

func (c *checker) head(r *strict.Report) {
	d := c.d
	if err := record.CheckName(d.Name); err != nil {
		r.At("procedure").Fault(err.Error(), "a to z, 0 to 9 and -, such as thousand-seed-mass")
	}
	if strings.TrimSpace(d.Title) == "" {
		r.At("title").Fault("is empty", "what the procedure is for, in a few words")
	}
	c.text(r.At("title"), d.Title, 200)
	c.text(r.At("source"), d.Source, maxSay)
	if len(d.Cautions) > maxNames {
		r.At("cautions").Fault(fmt.Sprintf("are %d", len(d.Cautions)), fmt.Sprintf("at most %d", maxNames))
	}
	for i, s := range d.Cautions {
		c.text(r.At("cautions").Index(i), s, maxSay)
	}
	if d.Review.Approvals < 0 || d.Review.Approvals > 2 {
		r.At("review").At("approvals").Fault(fmt.Sprintf("%d is out of range", d.Review.Approvals), "1 or 2")
	}
	c.oneOf(r.At("about"), d.About, "nothing", "samples", "containers", "both")
	switch {
	case d.Most < 1 || d.Most > MaxItems:
		r.At("most").Fault(fmt.Sprintf("%d is out of range", d.Most), fmt.Sprintf("1 to %d", MaxItems))
	case d.Most > 1 && d.About == "nothing":
		r.At("most").Fault("says nothing for a procedure about nothing", "leave it out")
	}
}

// text refuses what does not fit a screen, or would not show what it is.
func (c *checker) text(r *strict.Report, s string, most int) {
	if n := len([]rune(s)); n > most {
		r.Fault(fmt.Sprintf("has %d characters", n), fmt.Sprintf("at most %d", most))
	}
	for _, x := range s {
		if x != ' ' && !unicode.IsPrint(x) {
			r.Fault(fmt.Sprintf("holds the character U+%04X, which cannot be seen: take it out", x), "")
			return
		}
	}
}

func (c *checker) oneOf(r *strict.Report, s string, allowed ...string) bool {
	if slices.Contains(allowed, s) {
		return true
	}
	r.Fault(fmt.Sprintf("%.40q is not known here", s), strings.Join(allowed, ", "))
	return false
}

var nameForm = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)

// name looks a name over that formulas use.
func (c *checker) name(r *strict.Report, s string) bool {
	switch {
	case !nameForm.MatchString(s):
		r.Fault(fmt.Sprintf("%.40q is no name", s), "a to z, 0 to 9 and _, beginning with a letter, at most 40 characters")
	case strings.HasPrefix(s, "before") || s == "end":
		r.Fault(fmt.Sprintf("%s is a word that formulas and decisions use: choose another name", s), "")
	case slices.Contains(c.names, s):
		r.Fault(fmt.Sprintf("the name %s is there already", s), "a name of its own for each parameter and step")
	case functionNamed[s].Do != nil:
		r.Fault(fmt.Sprintf("%s is a function of formulas: choose another name", s), "")
	default:
		if _, err := formula.Compile("1", formula.Options{Names: map[string]formula.Type{s: formula.Number}}); err != nil {
			r.Fault(err.Error(), "")
			return false
		}
		return true
	}
	return false
}

func (c *checker) parameters(r *strict.Report) {
	if len(c.d.Parameters) > maxNames {
		r.Fault(fmt.Sprintf("are %d", len(c.d.Parameters)), fmt.Sprintf("at most %d", maxNames))
		return
	}
	for i := range c.d.Parameters {
		p, at := &c.d.Parameters[i], r.Index(i)
		good := c.name(at.At("name"), p.Name)
		c.text(at.At("label"), p.Label, 200)
		typ := c.answerType(at, p.Kind, p.Unit, p.Choices)
		c.plan.params = append(c.plan.params, typ)
		c.limitsFit(at.At("limits"), p.Limits, p.Kind, typ)
		for _, l := range p.Limits.all() {
			if l.text != "" && p.Kind == "quantity" {
				c.read(at.At("limits").At(l.key), l.text, place{step: -1, block: -1}, &typ, formula.Options{})
			}
		}
		if p.Default != "" && !p.optional() && typ.Kind != 0 {
			if _, err := p.value(p.Default, typ); err != nil {
				at.At("default").Fault(err.Error(), "")
			}
		}
		if good {
			c.param[p.Name] = i
			c.names = append(c.names, p.Name)
		}
	}
}

// answerType is the type of what a person or a request gives.
func (c *checker) answerType(r *strict.Report, kind, unit string, choices []string) formula.Type {
	if kind != "choice" && len(choices) > 0 {
		r.At("choices").Fault("say nothing for "+kind, "leave them out: they are for a choice")
	}
	if kind != "quantity" && unit != "" {
		r.At("unit").Fault("says nothing for "+kind, "leave it out: it is for a quantity")
	}
	switch kind {
	case "quantity":
		u, err := formula.ParseUnit(unit)
		if err != nil {
			r.At("unit").Fault(err.Error(), "")
			return formula.Type{}
		}
		return formula.In(u)
	case "choice":
		if len(choices) < 2 || len(choices) > maxNames {
			r.At("choices").Fault(fmt.Sprintf("are %d", len(choices)), fmt.Sprintf("2 to %d", maxNames))
		}
		for i, s := range choices {
			if at := r.At("choices").Index(i); s == "" || slices.Contains(choices[:i], s) {
				at.Fault(fmt.Sprintf("%.40q is empty, or there twice", s), "")
			}
			c.text(r.At("choices").Index(i), s, 100)
		}
	case "text", "date":
	default:
		c.oneOf(r.At("kind"), kind, "quantity", "text", "choice", "date")
		return formula.Type{}
	}
	return formula.Text
}

type limit struct{ key, text string }

// all gives the limits in the order of planned.limits.
func (l Limits) all() [4]limit {
	return [4]limit{{"at_least", l.AtLeast}, {"at_most", l.AtMost}, {"warn_below", l.WarnAtLeast}, {"warn_above", l.WarnAtMost}}
}

// any says whether something is said by which a value may pass or fail.
func (l Limits) any() bool { return l.AtLeast+l.AtMost+l.WarnAtLeast+l.WarnAtMost+l.Text != "" }

// limitsFit says which limits have no meaning for a kind of value.
func (c *checker) limitsFit(r *strict.Report, l Limits, kind string, typ formula.Type) {
	c.text(r.At("from"), l.From, maxSay)
	c.text(r.At("matches"), l.Text, 100)
	for _, one := range l.all() {
		if one.text != "" && typ.Kind != formula.KindQuantity && typ.Kind != 0 {
			r.At(one.key).Fault("is a limit of a quantity, and this is none", "leave it out")
		}
	}
	if l.Text == "" {
		return
	}
	switch {
	case typ.Kind == formula.KindTruth && l.Text != "yes" && l.Text != "no":
		r.At("matches").Fault(fmt.Sprintf("%.40q is nothing that a condition can be", l.Text), "yes, no")
	case typ.Kind == formula.KindQuantity, kind == "date":
		r.At("matches").Fault("is for a text, a choice or a condition, and this is none", "leave it out")
	}
}

func (c *checker) balances(r *strict.Report) {
	if len(c.d.Balances) > 10 {
		r.Fault(fmt.Sprintf("are %d", len(c.d.Balances)), "at most 10")
	}
	for name, b := range c.d.Balances {
		at := r.At(name)
		if err := record.CheckName(name); err != nil {
			at.Fault(err.Error(), "a to z, 0 to 9 and -, such as fine")
		}
		for _, m := range []limit{{"readability", b.Readability}, {"capacity", b.Capacity}} {
			if m.text == "" {
				continue
			}
			if g, err := metrology.ParseMass(m.text); err != nil || g.Sign() <= 0 {
				at.At(m.key).Fault(fmt.Sprintf("%.40q is no mass", m.text), "a mass such as 0.1 mg or 200 g")
			}
		}
		if _, known := c.d.Balances[b.Other]; b.Other != "" && (!known || b.Other == name) {
			at.At("other_than").Fault(fmt.Sprintf("%.40q is no other balance of this procedure", b.Other), "")
		}
	}
}

func (c *checker) blocks(r *strict.Report) {
	if len(c.d.Blocks) > MaxBlocks {
		r.Fault(fmt.Sprintf("are %d", len(c.d.Blocks)), fmt.Sprintf("at most %d", MaxBlocks))
	}
	var names []string
	for i := range c.d.Blocks {
		b, at := &c.d.Blocks[i], r.Index(i)
		if !nameForm.MatchString(b.Name) || slices.Contains(names, b.Name) {
			at.At("name").Fault(fmt.Sprintf("%.40q is no name, or is there already", b.Name), "a to z, 0 to 9 and _, beginning with a letter")
		}
		names = append(names, b.Name)
		one := block{Block: b, first: -1, items: b.Over == "items", param: -1}
		c.blockTimes(at, b, &one)
		c.plan.blocks = append(c.plan.blocks, one)
	}
}

func (c *checker) blockTimes(r *strict.Report, b *Block, one *block) {
	switch {
	case (b.Over == "") == (b.Times == ""):
		r.Fault("has to say one of over and times", "over: items, or times: 8")
		return
	case b.Over != "" && c.oneOf(r.At("over"), b.Over, "items") && c.d.About == "nothing":
		r.At("over").Fault("needs items, and this procedure is about nothing", "times, or another about")
	case b.Times != "":
		i, isParameter := c.param[b.Times]
		n, err := strconv.Atoi(b.Times)
		switch {
		case isParameter && c.plan.params[i].Same(formula.Number):
			one.param = i
		case isParameter:
			r.At("times").Fault(b.Times+" is no plain number", "a number, or a parameter without a unit")
		case err != nil || n < 1 || n > MaxPasses:
			r.At("times").Fault(fmt.Sprintf("%.40q is no number of times", b.Times), fmt.Sprintf("1 to %d, or the name of a parameter", MaxPasses))
		default:
			one.times = n
		}
	}
	switch {
	case b.While == "" && (b.More != 0 || b.Most != 0):
		r.Fault("says how many more, and not when", "more_while beside more and most, or none of them")
	case b.While != "" && b.Over != "":
		r.At("more_while").Fault("is for a block of times: there are no more items", "leave it out")
	case b.While != "" && (b.Most <= one.times || b.Most > MaxPasses):
		r.At("most").Fault(fmt.Sprintf("%d is no number that more can go up to", b.Most), fmt.Sprintf("more than times, up to %d", MaxPasses))
	case b.While != "" && (b.More < 1 || b.More > MaxPasses):
		r.At("more").Fault(fmt.Sprintf("%d is out of range", b.More), fmt.Sprintf("1 to %d", MaxPasses))
	}
}

func (c *checker) results(r *strict.Report) {
	if len(c.d.Results) == 0 || len(c.d.Results) > maxNames {
		r.Fault(fmt.Sprintf("are %d", len(c.d.Results)), fmt.Sprintf("the names of 1 to %d steps whose values are the result", maxNames))
	}
	for i, name := range c.d.Results {
		at := r.Index(i)
		n, known := c.plan.byID[name]
		switch {
		case !known:
			at.Fault(fmt.Sprintf("there is no step %.40q", name), "")
			continue
		case slices.Contains(c.d.Results[:i], name):
			at.Fault(name+" is there twice", "")
			continue
		}
		s := &c.plan.steps[n]
		switch {
		case hasNone[s.Do] || s.Do == Identify:
			at.Fault(fmt.Sprintf("%s is a step to %s, which gives no result", name, s.Do), "")
		case !s.Limits.any() && s.Limits.From == "" && s.Target == "":
			at.Fault(fmt.Sprintf("%s has no limits: whoever reads the result would not know what it is held against", name),
				"limits for the step, or limits with from alone, which says why there are none")
		}
	}
}

// size bounds what a run may come to, without counting one.
func (c *checker) size(r *strict.Report) {
	entries := 0
	for i := range c.plan.steps {
		times := 1
		if n := c.plan.steps[i].block; n >= 0 {
			b := c.plan.blocks[n]
			if times = max(b.times, b.Most, 1); b.items {
				times = c.d.Most
			}
		}
		entries += times
	}
	if entries > MaxEntries/2 {
		r.At("steps").Fault(fmt.Sprintf("come to %d in one run", entries), fmt.Sprintf("at most %d, passes of blocks counted", MaxEntries/2))
	}
}
