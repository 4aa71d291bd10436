package formula

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"

	"github.com/expr-lang/expr/ast"

	"weighpost/gateway/metrology"
)

// Options say what a formula may use and how its result is given.
type Options struct {
	Names     map[string]Type // what it may name
	Functions []Function      // beside those that are built in
	// Unit is the unit of the result, as a UCUM code. Empty: that of Rounding.To, or one that follows from the units of the names.
	Unit     string
	Rounding Rounding // the zero value does not round
}

// Function is a function of the caller's.
type Function struct {
	Name   string
	Params []Type // a quantity's dimension is binding; Do may count on it
	Result Type
	// Do works it out. It is pure, panics never, and changes none of its arguments. Its result is held against Result.
	Do     func(args []Value) (Value, error)
	Source metrology.Source
	Says   string // one sentence for the record: "density of water free of air, at 101.325 kPa"
}

// Formula is a compiled formula. It does not change and may be used by several at once.
type Formula struct {
	source  string
	root    *node
	inputs  []string // in the order of the text
	names   map[string]Type
	used    []Used
	unit    Unit // of the result
	rounder rounder
}

// Source is the text.
func (f *Formula) Source() string { return f.source }

// Inputs lists the names that the formula uses, in the order of the text.
func (f *Formula) Inputs() []string { return slices.Clone(f.inputs) }

// Functions lists the functions that it uses, in the order of the text.
func (f *Formula) Functions() []Used { return slices.Clone(f.used) }

// Type is the type of the result; a quantity has the unit in which it is shown.
func (f *Formula) Type() Type {
	t := f.root.typ
	if t.Kind == KindQuantity || t.Kind == KindList {
		t.Unit = f.unit
	}
	return t
}

// Rule says how the result is rounded: "to 0.01 g, half to even", "not rounded".
func (f *Formula) Rule() string { return f.rounder.words }

// Compile reads a formula and holds its types and units against each other. Every mistake that it finds is in the error, as Mistakes. What
// is wrong with the options themselves is an error of another type.
func Compile(source string, o Options) (*Formula, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	runes, tokens, err := scan(source)
	if err != nil {
		return nil, err
	}
	tree, err := parse(runes, tokens)
	if err != nil {
		return nil, err
	}
	c := compiler{o: o, source: runes, tokens: map[int]token{}, own: map[string]Function{}}
	for _, t := range tokens {
		c.tokens[t.at] = t
	}
	for _, f := range o.Functions {
		c.own[f.Name] = f
	}
	root := c.node(tree, 0)
	if len(c.mistakes) > 0 {
		slices.SortStableFunc(c.mistakes, func(a, b Mistake) int { return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column)) })
		return nil, slices.Compact(c.mistakes)
	}
	f := &Formula{source: source, root: root, inputs: c.inputs, used: c.used, names: map[string]Type{}}
	for _, name := range c.inputs {
		f.names[name] = o.Names[name]
	}
	if f.rounder, f.unit, err = o.rounder(root.typ); err != nil {
		return nil, Mistakes{{Text: err.Error()}}
	}
	return f, nil
}

var nameForm = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]{0,63}$`)

// check looks over what the caller declares.
func (o Options) check() error {
	for name, t := range o.Names {
		if err := nameFits(name); err != nil {
			return err
		}
		if t.Kind < KindQuantity || t.Kind > KindText {
			return fmt.Errorf("the name %s has no type", name)
		}
	}
	seen := map[string]bool{}
	for _, f := range o.Functions {
		if err := nameFits(f.Name); err != nil {
			return err
		}
		if _, ok := o.Names[f.Name]; ok || seen[f.Name] {
			return fmt.Errorf("%s is declared twice: a function shares its name with another function or with a value", f.Name)
		}
		if seen[f.Name] = true; f.Do == nil {
			return fmt.Errorf("the function %s has nothing that works it out", f.Name)
		}
	}
	return nil
}

func nameFits(name string) error {
	_, builtIn := operations[name]
	switch {
	case !nameForm.MatchString(name):
		return fmt.Errorf("%q is no name: it begins with a letter a to z and goes on with letters, digits and _, 64 at most", clip(name))
	case slices.Contains(reserved, name):
		return fmt.Errorf("%s is a word of the formula language, and no name: choose another", name)
	case builtIn:
		return fmt.Errorf("%s is a function of the formula language, and no name: choose another", name)
	}
	return nil
}

// node is a part of a formula, ready to be worked out.
type node struct {
	typ  Type // Kind 0 where there was a mistake, which has been told
	at   int
	work func(*run) (Value, error)
	lit  *literal // of a text in quotes
	ten  *int     // of a whole number as written, with its sign: an exponent
}

// literal is a text in quotes, which is a quantity where it reads as one.
type literal struct {
	text string
	err  error // why it is no quantity
}

type compiler struct {
	o        Options
	source   []rune
	tokens   map[int]token
	own      map[string]Function
	nodes    int
	inputs   []string
	used     []Used
	mistakes Mistakes
}

// fail tells a mistake and gives the node that stands for it.
func (c *compiler) fail(at int, format string, args ...any) *node {
	if len(c.mistakes) < maxMistakes {
		c.mistakes = append(c.mistakes, mistakeAt(c.source, at, format, args...))
	}
	return &node{at: at}
}

// node compiles a node of the library's tree. What is not named here is refused, whatever the library may learn. The tree may hold a node
// twice (a < b < c holds b twice), so that visits are counted and not nodes.
func (c *compiler) node(n ast.Node, depth int) *node {
	if c.nodes++; c.nodes > MaxNodes || depth > MaxDepth {
		if c.nodes == MaxNodes+1 || c.nodes <= MaxNodes {
			c.fail(n.Location().From, "the formula is too large here: it has more than %d parts, or goes more than %d deep; divide it", MaxNodes, MaxDepth)
		}
		return &node{}
	}
	at := n.Location().From
	switch n := n.(type) {
	case *ast.IntegerNode:
		return c.number(at)
	case *ast.StringNode:
		return c.text(at)
	case *ast.BoolNode:
		v := OfTruth(n.Value)
		return &node{typ: Truth, at: at, work: func(*run) (Value, error) { return v, nil }}
	case *ast.IdentifierNode:
		return c.name(at, n.Value)
	case *ast.UnaryNode:
		return c.unary(at, n, depth)
	case *ast.BinaryNode:
		return c.binary(at, n, depth)
	case *ast.ConditionalNode:
		return c.condition(n, depth)
	case *ast.CallNode:
		return c.call(at, n, depth)
	}
	return c.fail(at, "there is a part here that has no place in a formula (%T of the grammar)", n)
}

// number takes a literal from the text: what the library made of it is never looked at.
func (c *compiler) number(at int) *node {
	t, ok := c.tokens[at]
	if !ok || t.kind != 'n' {
		return c.fail(at, "a number should stand here")
	}
	r, err := parseNumber(t.text)
	if err != nil {
		return c.fail(at, "%v", err)
	}
	q := NewQuantity(r, Unit{})
	q.given = t.text
	n := &node{typ: Number, at: at, work: func(*run) (Value, error) { return Of(q), nil }}
	if r.IsInt() && r.Num().IsInt64() && r.Num().Int64() <= 1000 {
		ten := int(r.Num().Int64())
		n.ten = &ten
	}
	return n
}

func (c *compiler) text(at int) *node {
	t, ok := c.tokens[at]
	if !ok || t.kind != 't' {
		return c.fail(at, "a text should stand here")
	}
	q, err := ParseQuantity(t.text)
	n := &node{at: at, lit: &literal{t.text, err}}
	if err != nil {
		return n.asText()
	}
	n.typ, n.work = In(q.Unit), func(*run) (Value, error) { return Of(q), nil }
	return n
}

// asText has a text in quotes be a text, also where it reads as a quantity.
func (n *node) asText() *node {
	v := OfText(n.lit.text)
	n.typ, n.work = Text, func(*run) (Value, error) { return v, nil }
	return n
}

func (c *compiler) name(at int, name string) *node {
	t, ok := c.o.Names[name]
	if !ok {
		if _, own := c.own[name]; own || operations[name].do != nil {
			return c.fail(at, "%s is a function: its arguments follow in parentheses", name)
		}
		return c.fail(at, "there is no value named %s%s", clip(name), c.near(name))
	}
	if !slices.Contains(c.inputs, name) {
		c.inputs = append(c.inputs, name)
	}
	return &node{typ: t, at: at, work: func(r *run) (Value, error) { return r.in[name], nil }}
}

func (c *compiler) condition(n *ast.ConditionalNode, depth int) *node {
	at := n.Cond.Location().From
	if !n.Ternary || n.Exp1 == n.Cond {
		return c.fail(at, "a condition is written a ? b : c, with all three")
	}
	cond, yes, no := c.node(n.Cond, depth+1), c.node(n.Exp1, depth+1), c.node(n.Exp2, depth+1)
	if cond.typ.Kind == 0 || yes.typ.Kind == 0 || no.typ.Kind == 0 {
		return &node{at: at}
	}
	if cond.typ.Kind != KindTruth {
		return c.fail(at, "what stands before ? has to be a truth, such as a comparison, and is %s", cond.typ)
	}
	asTexts(yes, no)
	if !yes.typ.Same(no.typ) {
		return c.fail(yes.at, "both results of a condition have to be of one kind: one is %s, and the other %s", yes.typ, no.typ)
	}
	return &node{typ: yes.typ, at: at, work: func(r *run) (Value, error) {
		v, err := r.do(cond)
		if err != nil {
			return Value{}, err
		}
		if v.Truth {
			return r.do(yes)
		}
		return r.do(no)
	}}
}

// asTexts has a text in quotes beside a text be a text.
func asTexts(a, b *node) {
	if a.typ.Kind == KindText && b.lit != nil {
		b.asText()
	} else if b.typ.Kind == KindText && a.lit != nil {
		a.asText()
	}
}

// wants says that a node should be of another type. A text in quotes that is nearly a quantity says what is wrong with it.
func (c *compiler) wants(n *node, format string, args ...any) *node {
	if n.lit != nil && n.lit.err != nil {
		return c.fail(n.at, "%q is no quantity: %v", clip(n.lit.text), n.lit.err)
	}
	return c.fail(n.at, format, args...)
}
