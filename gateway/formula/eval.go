package formula

import (
	"context"
	"errors"
	"fmt"
	"math/big"
	"slices"
)

// run is one evaluation.
type run struct {
	ctx    context.Context
	source []rune
	in     map[string]Value
	steps  int // values of lists that functions went through
}

// do works a node out. A mistake gets the place of the innermost node that made it.
func (r *run) do(n *node) (Value, error) {
	if err := r.ctx.Err(); err != nil {
		return Value{}, err
	}
	v, err := n.work(r)
	var placed Mistake
	switch {
	case err == nil, errors.As(err, &placed), r.ctx.Err() != nil:
		return v, err
	}
	return Value{}, mistakeAt(r.source, n.at, "%v", err)
}

func (r *run) both(a, b *node) (x, y Value, err error) {
	if x, err = r.do(a); err == nil {
		y, err = r.do(b)
	}
	return x, y, err
}

// number gives a result that has been held against the bounds.
func (r *run) number(x *big.Rat, u Unit) (Value, error) {
	if err := bounded(x); err != nil {
		return Value{}, err
	}
	return Of(Quantity{N: x, Unit: u}), nil
}

// step counts a value of a list, and looks whether anybody still waits.
func (r *run) step(n int) error {
	if r.steps += n; r.steps > maxSteps {
		return fmt.Errorf("the formula goes through more than %d values of lists: divide it", maxSteps)
	}
	return r.ctx.Err()
}

// Eval works the formula out for these inputs, which may hold more than it uses. The result is exact, and rounded beside that. Errors are
// sentences with a place (Mistake) where there is one; the context's own error where it ended.
func (f *Formula) Eval(ctx context.Context, in map[string]Value) (Result, error) {
	for _, name := range f.inputs {
		v, ok := in[name]
		if !ok {
			return Result{}, fmt.Errorf("the value %s is missing", name)
		}
		if err := v.fits(f.names[name]); err != nil {
			return Result{}, fmt.Errorf("the value %s %w", name, err)
		}
	}
	r := &run{ctx: ctx, source: []rune(f.source), in: in}
	v, err := r.do(f.root)
	if err != nil {
		return Result{}, err
	}
	if err := v.fits(f.root.typ); err != nil {
		return Result{}, fmt.Errorf("the result of the formula %w", err)
	}
	return f.result(v, in)
}

// shown gives a value in the unit of the result.
func (f *Formula) shown(v Value) Value {
	switch v.Kind {
	case KindQuantity:
		v.Quantity.Unit = f.unit // of the same dimension: fits has seen to it
		v.Quantity.given = ""
	case KindList:
		v.List = slices.Clone(v.List)
		for i := range v.List {
			v.List[i] = Quantity{N: v.List[i].n(), Unit: f.unit}
		}
	}
	return v
}
