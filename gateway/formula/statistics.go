package formula

import (
	"fmt"
	"math/big"
	"slices"

	"weighpost/gateway/metrology"
)

// given is what a function of a list goes through. It counts each value once for every pass.
func given(r *run, args []Value, passes int) ([]*big.Rat, error) {
	var x []*big.Rat
	for _, a := range args {
		if a.Kind == KindQuantity {
			x = append(x, a.Quantity.n())
			continue
		}
		for _, q := range a.List {
			x = append(x, q.n())
		}
	}
	return x, r.step(passes * len(x))
}

func some(r *run, args []Value, passes int) ([]*big.Rat, error) {
	x, err := given(r, args, passes)
	if err == nil && len(x) == 0 {
		err = fmt.Errorf("there is no value in the list")
	}
	return x, err
}

func absolute(r *run, args []Value, u Unit) (Value, error) {
	return r.number(new(big.Rat).Abs(args[0].Quantity.n()), u)
}

func root(r *run, args []Value, u Unit) (Value, error) {
	x := args[0].Quantity.n()
	if x.Sign() < 0 {
		return Value{}, fmt.Errorf("a quantity below zero has no square root")
	}
	y, err := metrology.Sqrt(x)
	if err != nil {
		return Value{}, err
	}
	return r.number(y, u)
}

func least(order int) func(*run, []Value, Unit) (Value, error) {
	return func(r *run, args []Value, u Unit) (Value, error) {
		x, err := some(r, args, 1)
		if err != nil {
			return Value{}, err
		}
		best := x[0]
		for _, v := range x[1:] {
			if v.Cmp(best) == order {
				best = v
			}
		}
		return r.number(best, u)
	}
}

// total adds, with a look at the bounds and at the context at every step: a list of fractions without a common denominator would grow
// without end.
func total(r *run, x []*big.Rat) (*big.Rat, error) {
	sum := new(big.Rat)
	for _, v := range x {
		sum.Add(sum, v)
		if err := bounded(sum); err != nil {
			return nil, err
		}
		if err := r.ctx.Err(); err != nil {
			return nil, err
		}
	}
	return sum, nil
}

func sum(r *run, args []Value, u Unit) (Value, error) {
	x, err := given(r, args, 1)
	if err != nil {
		return Value{}, err
	}
	s, err := total(r, x)
	if err != nil {
		return Value{}, err
	}
	return r.number(s, u)
}

func meanOf(r *run, x []*big.Rat) (*big.Rat, error) {
	s, err := total(r, x)
	if err != nil {
		return nil, err
	}
	return s.Quo(s, big.NewRat(int64(len(x)), 1)), nil
}

func mean(r *run, args []Value, u Unit) (Value, error) {
	x, err := some(r, args, 1)
	if err != nil {
		return Value{}, err
	}
	m, err := meanOf(r, x)
	if err != nil {
		return Value{}, err
	}
	return r.number(m, u)
}

func median(r *run, args []Value, u Unit) (Value, error) {
	x, err := some(r, args, 2)
	if err != nil {
		return Value{}, err
	}
	x = slices.SortedFunc(slices.Values(x), (*big.Rat).Cmp)
	n := len(x)
	if n%2 == 1 {
		return r.number(x[n/2], u)
	}
	m, err := meanOf(r, x[n/2-1:n/2+1])
	if err != nil {
		return Value{}, err
	}
	return r.number(m, u)
}

// variance is metrology.Variance within the bounds.
func variance(r *run, x []*big.Rat) (mean, v *big.Rat, err error) {
	if len(x) < 2 {
		return nil, nil, fmt.Errorf("a standard deviation takes two values or more, and there %s", isOrAre(len(x)))
	}
	if mean, err = meanOf(r, x); err != nil {
		return nil, nil, err
	}
	squares := make([]*big.Rat, len(x))
	for i, one := range x {
		d := new(big.Rat).Sub(one, mean)
		if squares[i] = d.Mul(d, d); bounded(d) != nil {
			return nil, nil, bounded(d)
		}
	}
	if v, err = total(r, squares); err != nil {
		return nil, nil, err
	}
	return mean, v.Quo(v, big.NewRat(int64(len(x)-1), 1)), nil
}

func isOrAre(n int) string {
	if n == 1 {
		return "is 1"
	}
	return fmt.Sprintf("are %d", n)
}

func sd(r *run, args []Value, u Unit) (Value, error) {
	x, err := given(r, args, 2)
	if err != nil {
		return Value{}, err
	}
	_, v, err := variance(r, x)
	if err != nil {
		return Value{}, err
	}
	s, err := metrology.Sqrt(v)
	if err != nil {
		return Value{}, err
	}
	return r.number(s, u)
}

// cv is sd/mean. A mean that is not above zero gives none: below zero, the ratio would pass any limit from above.
func cv(r *run, args []Value, u Unit) (Value, error) {
	x, err := given(r, args, 2)
	if err != nil {
		return Value{}, err
	}
	m, v, err := variance(r, x)
	if err != nil {
		return Value{}, err
	}
	if m.Sign() <= 0 {
		return Value{}, fmt.Errorf("a coefficient of variation takes values whose mean is above zero")
	}
	s, err := metrology.Sqrt(v)
	if err != nil {
		return Value{}, err
	}
	return r.number(s.Quo(s, m), u)
}

func howMany(r *run, args []Value, _ Unit) (Value, error) {
	x, err := given(r, args, 1)
	if err != nil {
		return Value{}, err
	}
	return r.number(big.NewRat(int64(len(x)), 1), Unit{})
}

func at(last bool) func(*run, []Value, Unit) (Value, error) {
	return func(r *run, args []Value, u Unit) (Value, error) {
		x, err := some(r, args, 1)
		if err != nil {
			return Value{}, err
		}
		if last {
			return r.number(x[len(x)-1], u)
		}
		return r.number(x[0], u)
	}
}

// within compares squares, (x − mean)² ≤ k²·s², so that no root is cut off between a value and its limit.
func within(r *run, args []Value, u Unit) (Value, error) {
	k := args[1].Quantity.n()
	if k.Sign() < 0 {
		return Value{}, fmt.Errorf("within takes a multiple of the standard deviation that is not below zero")
	}
	x, err := given(r, args[:1], 3)
	if err != nil {
		return Value{}, err
	}
	m, v, err := variance(r, x)
	if err != nil {
		return Value{}, err
	}
	limit := v.Mul(v, new(big.Rat).Mul(k, k))
	var kept []Quantity
	for _, one := range x {
		d := new(big.Rat).Sub(one, m)
		if d.Mul(d, d).Cmp(limit) <= 0 {
			kept = append(kept, Quantity{N: one, Unit: u})
		}
	}
	return OfList(kept), nil
}
