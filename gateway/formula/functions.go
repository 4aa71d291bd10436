package formula

import (
	"fmt"
	"slices"
	"strings"

	"github.com/expr-lang/expr/ast"

	"weighpost/gateway/metrology"
)

// operation is a function that is built in.
type operation struct {
	takes  string // its arguments in words, for a sentence
	says   string // its definition, for the record and the manual
	source metrology.Source
	// typ gives the type of the result for these arguments, or says what is wrong with which of them.
	typ func(args []*node) (t Type, wrong int, err error)
	do  func(r *run, args []Value, u Unit) (Value, error)
}

// Where the definitions come from. Mean, median, minimum and maximum are everybody's.
var (
	gum   = metrology.Source{Name: "JCGM 100:2008", Clause: "4.2.2"}
	seeds = metrology.Source{Name: "International Rules for Seed Testing", Clause: "chapter 10, weight determination", FromMemory: true}
)

var operations map[string]operation

func init() { // and no literal, since the compiler looks names up here
	operations = map[string]operation{
		"abs":    {"one quantity", "the size without the sign", metrology.Source{}, single, absolute},
		"sqrt":   {"one quantity", "the square root, with 45 significant digits or more", metrology.Source{}, rootType, root},
		"min":    {"a list, or quantities of one kind", "the least", metrology.Source{}, series(false, true), least(-1)},
		"max":    {"a list, or quantities of one kind", "the greatest", metrology.Source{}, series(false, true), least(1)},
		"sum":    {"a list, or quantities of one kind", "the sum; 0 of none", metrology.Source{}, series(false, false), sum},
		"mean":   {"a list, or quantities of one kind", "the arithmetic mean", metrology.Source{Name: "JCGM 100:2008", Clause: "4.2.1"}, series(false, true), mean},
		"median": {"a list, or quantities of one kind", "the middle one in order, or the mean of the two in the middle", metrology.Source{}, series(false, true), median},
		"sd":     {"a list, or quantities of one kind", "the experimental standard deviation, with n - 1", gum, spread, sd},
		"cv":     {"a list, or quantities of one kind", "the coefficient of variation: sd over mean, in per cent", seeds, series(true, false), cv},
		"rsd":    {"a list, or quantities of one kind", "the relative standard deviation: another name of cv", seeds, series(true, false), cv},
		"count":  {"a list, or quantities of one kind", "how many", metrology.Source{}, counted, howMany},
		"first":  {"a list", "the first", metrology.Source{}, series(false, true), at(false)},
		"last":   {"a list", "the last", metrology.Source{}, series(false, true), at(true)},
		"within": {"a list and a number", "those of a list whose distance from its mean is at most k times its sd, looked at once", seeds, withinType, within},
	}
}

func (c *compiler) call(at int, n *ast.CallNode, depth int) *node {
	callee, ok := n.Callee.(*ast.IdentifierNode)
	if !ok {
		return c.fail(at, "only functions can be called, by their name")
	}
	var args []*node
	whole := true
	for _, a := range n.Arguments {
		x := c.node(a, depth+1)
		args, whole = append(args, x), whole && x.typ.Kind != 0
	}
	op, built := operations[callee.Value]
	own, declared := c.own[callee.Value]
	switch {
	case !built && !declared:
		if _, value := c.o.Names[callee.Value]; value {
			return c.fail(at, "%s is a value and no function: an operator is missing before the parenthesis", callee.Value)
		}
		return c.fail(at, "there is no function named %s%s", clip(callee.Value), c.near(callee.Value))
	case !whole:
		return &node{at: at}
	case declared:
		c.use(usedOf(own.Name, own.Says, own.Source))
		return c.callOwn(at, own, args)
	}
	c.use(usedOf(callee.Value, op.says, op.source))
	t, wrong, err := op.typ(args)
	if err != nil {
		place := at
		if wrong >= 0 && wrong < len(args) {
			if lit := args[wrong].lit; lit != nil && lit.err != nil {
				return c.wants(args[wrong], "")
			}
			place = args[wrong].at
		}
		return c.fail(place, "%s takes %s: %v", callee.Value, op.takes, err)
	}
	return &node{typ: t, at: at, work: func(r *run) (Value, error) {
		values, err := r.all(args)
		if err != nil {
			return Value{}, err
		}
		return op.do(r, values, t.Unit)
	}}
}

func (c *compiler) use(u Used) {
	if !slices.Contains(c.used, u) {
		c.used = append(c.used, u)
	}
}

func (c *compiler) callOwn(at int, f Function, args []*node) *node {
	if len(args) != len(f.Params) {
		return c.fail(at, "%s takes %s, and is given %d", f.Name, count(len(f.Params), "argument"), len(args))
	}
	for i, a := range args {
		if f.Params[i].Kind == KindText && a.lit != nil {
			a.asText()
		}
		if !a.typ.Same(f.Params[i]) {
			return c.wants(a, "%s takes %s here, and is given %s", f.Name, f.Params[i], a.typ)
		}
	}
	return &node{typ: f.Result, at: at, work: func(r *run) (Value, error) {
		values, err := r.all(args)
		if err != nil {
			return Value{}, err
		}
		v, err := f.Do(values)
		if err != nil {
			return Value{}, err
		}
		if err := v.fits(f.Result); err != nil {
			return Value{}, fmt.Errorf("what %s gives %w", f.Name, err)
		}
		return v, nil
	}}
}

func (r *run) all(args []*node) ([]Value, error) {
	values := make([]Value, len(args))
	for i, a := range args {
		v, err := r.do(a)
		if err != nil {
			return nil, err
		}
		values[i] = v
	}
	return values, nil
}

// single is the type of a function of one quantity, which is no Celsius temperature.
func single(args []*node) (Type, int, error) {
	if len(args) != 1 {
		return Type{}, -1, fmt.Errorf("it is given %d arguments", len(args))
	}
	t := args[0].typ
	switch {
	case t.Kind != KindQuantity:
		return Type{}, 0, fmt.Errorf("this is %s", t)
	case t.Unit.dim.Celsius:
		return Type{}, 0, fmt.Errorf("a Celsius temperature is not fit for it, since its zero is a convention")
	}
	return t, -1, nil
}

func rootType(args []*node) (Type, int, error) {
	t, wrong, err := single(args)
	if err != nil {
		return t, wrong, err
	}
	dim, ok := t.Unit.dim.half()
	if !ok {
		return t, 0, fmt.Errorf("%s has no square root", t)
	}
	if dim == (Dimension{}) {
		return Number, -1, nil
	}
	return In(baseUnit(dim)), -1, nil
}

// elements is the type of what a function of a list goes through: the values of its one list, or its arguments.
func elements(args []*node) (Type, int, error) {
	if len(args) == 0 {
		return Type{}, -1, fmt.Errorf("it is given nothing")
	}
	first := args[0].typ
	for i, a := range args {
		switch {
		case a.typ.Kind == KindList && len(args) > 1:
			return Type{}, i, fmt.Errorf("it is given a list and something else")
		case a.typ.Kind != KindList && a.typ.Kind != KindQuantity:
			return Type{}, i, fmt.Errorf("this is %s", a.typ)
		case a.typ.Unit.dim != first.Unit.dim:
			return Type{}, i, fmt.Errorf("%s and %s are of different kinds", first, a.typ)
		}
	}
	return In(first.Unit), -1, nil
}

// series is the type of a function of a list that gives one of its kind, or a ratio in per cent. Some are not for degrees Celsius.
func series(percent, celsiusToo bool) func([]*node) (Type, int, error) {
	return func(args []*node) (Type, int, error) {
		t, wrong, err := elements(args)
		switch {
		case err != nil:
			return t, wrong, err
		case t.Unit.dim.Celsius && !celsiusToo:
			return t, 0, fmt.Errorf("degrees Celsius are not fit for it, since their zero is a convention")
		case percent:
			t.Unit, err = ParseUnit("%")
		}
		return t, -1, err
	}
}

// spread is the type of a standard deviation: of Celsius temperatures it is in K.
func spread(args []*node) (Type, int, error) {
	t, wrong, err := elements(args)
	if err == nil && t.Unit.dim.Celsius {
		t.Unit = baseUnit(kelvin)
	}
	return t, wrong, err
}

func counted(args []*node) (Type, int, error) {
	_, wrong, err := elements(args)
	return Number, wrong, err
}

func withinType(args []*node) (Type, int, error) {
	switch {
	case len(args) != 2:
		return Type{}, -1, fmt.Errorf("it is given %d arguments", len(args))
	case args[0].typ.Kind != KindList:
		return Type{}, 0, fmt.Errorf("this is %s", args[0].typ)
	case !args[1].typ.Same(Number):
		return Type{}, 1, fmt.Errorf("this is %s", args[1].typ)
	}
	return args[0].typ, -1, nil
}

// BuiltIn lists the functions that every formula has, by name, with their definitions.
func BuiltIn() []Used {
	var all []Used
	for name, op := range operations {
		all = append(all, usedOf(name, op.says, op.source))
	}
	slices.SortFunc(all, func(a, b Used) int { return strings.Compare(a.Name, b.Name) })
	return all
}
