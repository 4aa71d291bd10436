package formula

import (
	"fmt"
	"math/big"

	"github.com/expr-lang/expr/ast"
)

func (c *compiler) unary(at int, n *ast.UnaryNode, depth int) *node {
	x := c.node(n.Node, depth+1)
	switch {
	case x.typ.Kind == 0:
		return x
	case n.Operator == "not" && x.typ.Kind == KindTruth:
		return &node{typ: Truth, at: at, work: func(r *run) (Value, error) {
			v, err := r.do(x)
			return OfTruth(!v.Truth), err
		}}
	case n.Operator == "not":
		return c.fail(at, "not takes a truth, and this is %s: put the comparison behind it in parentheses", x.typ)
	case n.Operator != "-" && n.Operator != "+":
		return c.fail(at, "%s has no place in a formula", clip(n.Operator))
	case x.typ.Kind != KindQuantity:
		return c.wants(x, "%s goes before a quantity, and this is %s", n.Operator, x.typ)
	case x.typ.Unit.dim.Celsius && x.lit == nil:
		return c.fail(at, "a Celsius temperature has no opposite: its zero is a convention")
	}
	minus := n.Operator == "-"
	out := &node{typ: x.typ, at: at, work: func(r *run) (Value, error) {
		v, err := r.do(x)
		if err == nil && minus {
			v.Quantity = Quantity{N: new(big.Rat).Neg(v.Quantity.n()), Unit: v.Quantity.Unit}
		}
		return v, err
	}}
	if x.ten != nil {
		ten := *x.ten
		if minus {
			ten = -ten
		}
		out.ten = &ten
	}
	return out
}

func (c *compiler) binary(at int, n *ast.BinaryNode, depth int) *node {
	// The left side is no deeper: a long sum leans left, and is not nested.
	a, b := c.node(n.Left, depth), c.node(n.Right, depth+1)
	if a.typ.Kind == 0 || b.typ.Kind == 0 {
		return &node{at: at}
	}
	switch n.Operator {
	case "and", "or", "&&": // a < b < c reads as a < b && b < c
		return c.logic(at, n.Operator == "or", a, b)
	case "==", "!=", "<", "<=", ">", ">=":
		return c.compare(at, n.Operator, a, b)
	}
	for _, x := range []*node{a, b} {
		if x.typ.Kind == KindList {
			return c.fail(x.at, "a list has to become one value first, by a function such as mean or sum, before %s", n.Operator)
		}
		if x.typ.Kind != KindQuantity {
			return c.wants(x, "%s takes quantities, and this is %s", n.Operator, x.typ)
		}
	}
	switch n.Operator {
	case "+", "-":
		return c.addition(at, n.Operator == "-", a, b)
	case "*":
		return c.product(at, a, b, 1)
	case "/":
		return c.product(at, a, b, -1)
	case "**", "^":
		return c.power(at, a, b)
	}
	return c.fail(at, "%s has no place in a formula", clip(n.Operator))
}

func (c *compiler) logic(at int, or bool, a, b *node) *node {
	for _, x := range []*node{a, b} {
		if x.typ.Kind != KindTruth {
			return c.wants(x, "and, or take truths, and this is %s", x.typ)
		}
	}
	return &node{typ: Truth, at: at, work: func(r *run) (Value, error) {
		v, err := r.do(a)
		if err != nil || v.Truth == or {
			return v, err
		}
		return r.do(b)
	}}
}

func (c *compiler) compare(at int, op string, a, b *node) *node {
	asTexts(a, b)
	equal := op == "==" || op == "!="
	switch {
	case a.typ.Kind == KindList || b.typ.Kind == KindList:
		return c.fail(at, "a list cannot be compared: a function such as mean or max makes one value of it")
	case a.typ.Kind != b.typ.Kind && (a.typ.Kind == KindText && a.lit != nil || b.typ.Kind == KindText && b.lit != nil):
		x := a
		if b.typ.Kind == KindText {
			x = b
		}
		return c.wants(x, "%s and %s cannot be compared", a.typ, b.typ)
	case a.typ.Kind != b.typ.Kind, a.typ.Kind != KindQuantity && !equal:
		return c.fail(at, "%s and %s cannot be compared by %s", a.typ, b.typ, op)
	case a.typ.Unit.dim != b.typ.Unit.dim:
		return c.fail(at, "%s and %s cannot be compared%s", a.typ, b.typ, bare(a, b))
	}
	return &node{typ: Truth, at: at, work: func(r *run) (Value, error) {
		x, y, err := r.both(a, b)
		if err != nil {
			return Value{}, err
		}
		order := 0
		switch {
		case x.Kind == KindQuantity:
			order = x.Quantity.n().Cmp(y.Quantity.n())
		case x.Truth != y.Truth || x.Text != y.Text:
			order = 1
		}
		return OfTruth(holds(op, order)), nil
	}}
}

func holds(op string, order int) bool {
	switch op {
	case "==":
		return order == 0
	case "!=":
		return order != 0
	case "<":
		return order < 0
	case "<=":
		return order <= 0
	case ">":
		return order > 0
	}
	return order >= 0
}

// bare gives a hint where one side is a number without a unit.
func bare(a, b *node) string {
	for _, x := range []*node{a, b} {
		if x.typ.Unit.Code() == "1" && x.ten != nil {
			other := a
			if x == a {
				other = b
			}
			return fmt.Sprintf(`: give the number its unit, as in "%d %s"`, *x.ten, other.typ.Unit.Code())
		}
	}
	return ""
}

func (c *compiler) addition(at int, minus bool, a, b *node) *node {
	word := "added"
	if minus {
		word = "subtracted from each other"
	}
	t := a.typ
	switch {
	case a.typ.Unit.dim != b.typ.Unit.dim:
		return c.fail(at, "%s and %s cannot be %s%s", a.typ, b.typ, word, bare(a, b))
	case t.Unit.dim.Celsius && !minus:
		return c.fail(at, "two Celsius temperatures cannot be added: they can be subtracted, which leaves K, or averaged with mean")
	case t.Unit.dim.Celsius:
		t = In(baseUnit(kelvin))
	}
	return &node{typ: t, at: at, work: func(r *run) (Value, error) {
		x, y, err := r.both(a, b)
		if err != nil {
			return Value{}, err
		}
		if x.Quantity.Unit.dim != y.Quantity.Unit.dim {
			return Value{}, fmt.Errorf("%s and %s cannot be %s", x.Quantity.Unit.dim, y.Quantity.Unit.dim, word)
		}
		if minus {
			return r.number(new(big.Rat).Sub(x.Quantity.n(), y.Quantity.n()), t.Unit)
		}
		return r.number(new(big.Rat).Add(x.Quantity.n(), y.Quantity.n()), t.Unit)
	}}
}

func (c *compiler) product(at int, a, b *node, n int) *node {
	for _, x := range []*node{a, b} {
		if x.typ.Unit.dim.Celsius {
			return c.fail(x.at, "a Celsius temperature is no factor, since its zero is a convention: subtract another first, which leaves K")
		}
	}
	u, ok := product(a.typ.Unit, b.typ.Unit, n)
	if !ok {
		return c.fail(at, "the unit of this would have a power beyond %d", MaxExponent)
	}
	return &node{typ: In(u), at: at, work: func(r *run) (Value, error) {
		x, y, err := r.both(a, b)
		if err != nil {
			return Value{}, err
		}
		if dim, ok := x.Quantity.Unit.dim.times(y.Quantity.Unit.dim, n); !ok || dim != u.dim {
			return Value{}, fmt.Errorf("%s and %s do not give %s", x.Quantity.Unit.dim, y.Quantity.Unit.dim, u.dim)
		}
		if n > 0 {
			return r.number(new(big.Rat).Mul(x.Quantity.n(), y.Quantity.n()), u)
		}
		if y.Quantity.n().Sign() == 0 {
			return Value{}, fmt.Errorf("this divides by zero")
		}
		return r.number(new(big.Rat).Quo(x.Quantity.n(), y.Quantity.n()), u)
	}}
}

func (c *compiler) power(at int, a, b *node) *node {
	switch {
	case b.ten == nil || *b.ten > MaxExponent || *b.ten < -MaxExponent:
		return c.fail(b.at, "a power is a whole number as written, from -%d to %d; sqrt(x) gives the square root", MaxExponent, MaxExponent)
	case a.typ.Unit.dim.Celsius:
		return c.fail(a.at, "a Celsius temperature has no powers, since its zero is a convention")
	}
	n := *b.ten
	u, ok := Unit{}, true
	for range max(n, -n) {
		if u, ok = product(u, a.typ.Unit, sign(n)); !ok {
			return c.fail(at, "the unit of this would have a power beyond %d", MaxExponent)
		}
	}
	return &node{typ: In(u), at: at, work: func(r *run) (Value, error) {
		x, err := r.do(a)
		if err != nil {
			return Value{}, err
		}
		if n <= 0 && x.Quantity.n().Sign() == 0 {
			return Value{}, fmt.Errorf("zero has no power of %d", n)
		}
		out := big.NewRat(1, 1)
		for range max(n, -n) {
			if out = new(big.Rat).Mul(out, x.Quantity.n()); bounded(out) != nil {
				return Value{}, bounded(out)
			}
		}
		if n < 0 {
			out.Inv(out)
		}
		return r.number(out, u)
	}}
}

func sign(n int) int {
	if n < 0 {
		return -1
	}
	return 1
}
