package procedure

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"strings"

	"weighpost/gateway/formula"
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
)

// place is where a formula stands, which decides what a name means there.
type place struct {
	step  int
	block int  // -1: outside blocks
	whole bool // behind all passes of the block: the replicate rule
	prior bool // before(name) may be used
	when  string
	bare  bool // a limit that is a name alone: there need be no value
}

var word = regexp.MustCompile(`[A-Za-z_][A-Za-z0-9_]*`)

// words gives the names in a formula, each once, in their order, without what stands in quotes.
func words(text string) []string {
	seen := map[string]bool{}
	var all []string
	for _, w := range word.FindAllString(unquoted(text), -1) {
		if !seen[w] {
			seen[w] = true
			all = append(all, w)
		}
	}
	return all
}

// unquoted gives a formula with spaces in place of the texts in quotes, so that every character stays where it is.
func unquoted(text string) string {
	out, quote := []rune(text), rune(0)
	for i, c := range out {
		switch {
		case quote == 0 && (c == '"' || c == '\''):
			quote = c
		case quote == c:
			quote = 0
		case quote == 0:
			continue
		}
		out[i] = ' '
	}
	return string(out)
}

var before = regexp.MustCompile(`\bbefore\( *[a-z][a-z0-9_]* *\)`)

const priorMark = "before_"

// marked writes before(m) as the name before_m_, which has as many characters, so that mistakes are told where they stand.
func marked(text string) string {
	if !strings.Contains(text, "before") {
		return text
	}
	out := []byte(text)
	for _, at := range before.FindAllStringIndex(string(asciiOf(unquoted(text), len(text))), -1) {
		for i := at[0]; i < at[1]; i++ {
			if c := out[i]; c == '(' || c == ')' || c == ' ' {
				out[i] = '_'
			}
		}
	}
	return string(out)
}

// asciiOf gives a text of the same number of bytes, or nothing where that is not so: formulas with before() hold plain letters.
func asciiOf(s string, n int) []byte {
	if len(s) != n {
		return nil
	}
	return []byte(s)
}

// priorName gives the name in before(name), as marked wrote it.
func priorName(w string) (name string, is bool) {
	name, is = strings.CutPrefix(w, priorMark)
	return strings.Trim(name, "_"), is && name != ""
}

// read compiles a formula for its place. want is what it has to be; nil: anything. A text that is a plain quantity need not be in quotes.
func (c *checker) read(r *strict.Report, text string, at place, want *formula.Type, o formula.Options) *expression {
	if text == "" {
		return nil
	}
	e := &expression{text: text}
	if q, err := formula.ParseQuantity(text); err == nil {
		v := formula.Of(q)
		e.plain = &v
		return c.fits(r, e, want)
	}
	source := marked(text)
	o.Names, o.Functions = map[string]formula.Type{}, nil
	bad := false
	for _, w := range words(source) {
		if f, ok := functionNamed[w]; ok {
			o.Functions = append(o.Functions, f)
			continue
		}
		one, why, known := c.find(w, at)
		switch {
		case why == told:
			bad = true
		case why != "":
			r.Fault(why, "")
			bad = true
		case known:
			o.Names[w] = one.typ
			e.refs = append(e.refs, one)
		}
	}
	if bad {
		return nil
	}
	var err error
	if e.f, err = formula.Compile(source, o); err != nil {
		c.mistakes(r, source, at, o, err)
		return nil
	}
	return c.fits(r, e, want)
}

// mistakes tells what the formula library found, with every name that may be used at hand for its hints.
func (c *checker) mistakes(r *strict.Report, source string, at place, o formula.Options, err error) {
	for _, name := range c.names {
		if one, why, known := c.find(name, at); known && why == "" {
			o.Names[name] = one.typ
		}
	}
	o.Functions = Functions()
	if _, again := formula.Compile(source, o); again != nil {
		err = again
	}
	var all formula.Mistakes
	if !errors.As(err, &all) {
		r.Fault("the formula: "+err.Error(), "")
		return
	}
	for _, m := range all {
		r.Fault("the formula: "+m.Error(), "")
	}
}

func (c *checker) fits(r *strict.Report, e *expression, want *formula.Type) *expression {
	bare := e.plain != nil && e.plain.Quantity.Unit.Code() == "1"
	if want == nil || e.typ().Same(*want) && (!bare || want.Unit.Code() == "1") { // 10 for a value in per cent would be 1000 %
		return e
	}
	what := fmt.Sprintf("is %s, and has to be %s", e.typ(), *want)
	if bare && want.Kind == formula.KindQuantity {
		what += fmt.Sprintf(": give the number its unit, as in %s %s", e.plain.Quantity.Digits(), want.Unit.Code())
	}
	r.Fault(what, "")
	return nil
}

// told stands for a mistake of a step that has been told where it is.
const told = "there is a mistake in its step"

// find says what a name means at a place. why says that it means nothing there, in a sentence; known is false for what is no name of ours.
func (c *checker) find(w string, at place) (one ref, why string, known bool) {
	if name, is := priorName(w); is {
		return c.findPrior(w, name, at)
	}
	if i, ok := c.param[w]; ok {
		if c.d.Parameters[i].optional() && !at.bare {
			return ref{}, fmt.Sprintf("%s need not be given (its default is none), so that it stands alone as a limit, and nowhere else", w), true
		}
		return ref{name: w, shown: w, index: i, how: given, typ: c.plan.params[i]}, "", true
	}
	i, ok := c.plan.byID[w]
	if !ok {
		return ref{}, "", false
	}
	s := &c.plan.steps[i]
	one = ref{name: w, shown: w, index: i, how: single, typ: s.typ}
	switch {
	case !s.hasValue() && i < len(c.typed) && c.typed[i] && hasNone[s.Do]:
		return one, fmt.Sprintf("%s is a step that has no value: it is there to %s", w, s.Do), true
	case !c.typed[i] || !c.reached(i, at):
		return one, fmt.Sprintf("%s has no value yet here, or has none in some way through the steps", w), true
	case !s.hasValue():
		return one, told, true
	}
	if s.block >= 0 {
		if one.how = c.howFrom(s.block, at); one.how == several {
			return c.listOf(one, s)
		}
	}
	if s.When != "" && !implied(s.When, at.when) {
		return one, fmt.Sprintf("%s may have no value here, since its step has a condition: give this step the same condition as when", w), true
	}
	return one, "", true
}

// howFrom says whether the values of a block are this pass's own at a place, or a list.
func (c *checker) howFrom(from int, at place) how {
	b := c.plan.blocks
	switch {
	case at.block == from && !at.whole:
		return same
	case at.block >= 0 && !at.whole && at.block != from && b[at.block].items && b[from].items:
		return same
	}
	return several
}

func (c *checker) listOf(one ref, s *planned) (ref, string, bool) {
	if s.typ.Kind != formula.KindQuantity {
		return one, fmt.Sprintf("%s is %s of each pass of its block, and only quantities make a list: use it within the block", s.ID, s.typ), true
	}
	one.typ = formula.ListIn(s.typ.Unit)
	return one, "", true
}

// findPrior finds before(name): a value of a step that a decision leads back to, or past.
func (c *checker) findPrior(w, name string, at place) (ref, string, bool) {
	i, ok := c.plan.byID[name]
	shown := "before(" + name + ")"
	switch {
	case !ok:
		return ref{}, fmt.Sprintf("%s: there is no step %s", shown, name), true
	case !at.prior:
		return ref{}, fmt.Sprintf("%s can be used in the condition of a decision and in a formula to compute, and not here", shown), true
	case !c.inLoop(i):
		return ref{}, fmt.Sprintf("%s: no decision leads back past the step %s, so that there is no time before", shown, name), true
	}
	s := &c.plan.steps[i]
	if s.typ.Kind != formula.KindQuantity {
		return ref{}, fmt.Sprintf("%s: the step %s has no quantity", shown, name), true
	}
	if s.block >= 0 && c.howFrom(s.block, at) == several {
		return ref{}, fmt.Sprintf("%s: the step %s is of a block, and has a time before only there", shown, name), true
	}
	return ref{name: w, shown: shown, index: i, how: earlier, typ: s.typ}, "", true
}

// implied says whether a step that is done under one condition is only done where another held: it is the same, or begins with it.
func implied(needed, has string) bool {
	needed, has = strings.TrimSpace(needed), strings.TrimSpace(has)
	if needed == has {
		return true
	}
	rest, begins := strings.CutPrefix(has, needed+" and ")
	if !begins || strings.Contains(rest, "?") {
		return false
	}
	for _, w := range words(rest) {
		if w == "or" {
			return false
		}
	}
	return true
}

// missing says that a value that a formula needs is not there.
type missing struct{ name string }

func (m missing) Error() string { return fmt.Sprintf("%s has no value", m.name) }

// work evaluates an expression with the values of a run. The inputs are given for the record.
func (st *state) work(e *expression, pass int) (formula.Result, []record.WorkedInput, error) {
	if e.plain != nil {
		return formula.Result{Value: *e.plain, Rounded: *e.plain}, nil, nil
	}
	in := make(map[string]formula.Value, len(e.refs))
	var shown []record.WorkedInput
	for _, one := range e.refs {
		v, texts, ok := st.lookup(one, pass)
		if !ok {
			return formula.Result{}, nil, missing{one.shown}
		}
		in[one.name] = v
		shown = append(shown, record.WorkedInput{Name: one.shown, Value: texts})
	}
	out, err := e.f.Eval(context.Background(), in) // bounded by the limits of the formula library
	return out, shown, err
}
