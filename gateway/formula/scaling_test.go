package formula_test

import (
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/gateway/formula"
)

// factors are what every base unit is made larger by; a degree of temperature stays what it is.
var factors = map[string]*big.Rat{"mass": big.NewRat(7, 1), "length": big.NewRat(3, 5), "time": big.NewRat(11, 2), "amount": big.NewRat(13, 3)}

// scaled gives a quantity as it would be in a world whose gram, metre, second and mole are others.
func scaled(q formula.Quantity, d formula.Dimension) *big.Rat {
	x := new(big.Rat).Set(q.N)
	for name, n := range map[string]int8{"mass": d.Mass, "length": d.Length, "time": d.Time, "amount": d.Amount} {
		for range max(n, -n) {
			if n > 0 {
				x.Mul(x, factors[name])
			} else {
				x.Quo(x, factors[name])
			}
		}
	}
	return x
}

func scaledValue(v formula.Value) formula.Value {
	scale := func(q formula.Quantity) formula.Quantity {
		return formula.Quantity{N: scaled(q, q.Unit.Dimension()), Unit: q.Unit}
	}
	switch v.Kind {
	case formula.KindQuantity:
		v.Quantity = scale(v.Quantity)
	case formula.KindList:
		var list []formula.Quantity
		for _, q := range v.List {
			list = append(list, scale(q))
		}
		v.List = list
	}
	return v
}

// TestDimensionsAreWhatScalingShows judges the dimension that is found when a formula is compiled by something else than itself: if the gram
// were seven times as heavy, what is a mass would be seven times as much, a mass squared 49 times, a ratio and a verdict the same. Roots
// are cut off and would only be so to 45 digits: they have shapes of their own in TestUnitsOfInputsDoNotMatter.
func TestDimensionsAreWhatScalingShows(t *testing.T) {
	types, in := bench(t)
	other := map[string]formula.Value{}
	for name, v := range in {
		other[name] = scaledValue(v)
	}
	judged := 0
	rapid.Check(t, func(r *rapid.T) {
		for range 20 {
			source := strings.ReplaceAll(drawFormula(r, rapid.IntRange(1, 3).Draw(r, "depth")), `"10 mg"`, "drop")
			if strings.Contains(source, "sd(") || strings.Contains(source, "cv(") || strings.Contains(source, "sqrt(") || strings.Contains(source, "colour") {
				continue
			}
			f, err := formula.Compile(source, twice(types))
			if err != nil {
				continue
			}
			a, err1 := f.Eval(t.Context(), in)
			b, err2 := f.Eval(t.Context(), other)
			if (err1 == nil) != (err2 == nil) {
				r.Fatalf("%s: %v, and scaled %v", source, err1, err2)
			}
			if err1 != nil {
				if strings.Contains(err1.Error(), "the result of the formula") || strings.Contains(err1.Error(), "do not give") || strings.Contains(err1.Error(), "cannot be") {
					r.Fatalf("%s promised %s: %v", source, f.Type(), err1)
				}
				continue
			}
			judged++
			want := scaledValue(a.Value)
			if want.Kind == formula.KindQuantity && want.Quantity.N.Cmp(b.Value.Quantity.N) != 0 || want.Kind == formula.KindTruth && want.Truth != b.Value.Truth || len(want.List) != len(b.Value.List) {
				r.Fatalf("%s is %s, and scaled %s; its dimension is said to be %s", source, a.Value, b.Value, f.Type())
			}
			for i, q := range want.List {
				if q.N.Cmp(b.Value.List[i].N) != 0 {
					r.Fatalf("%s: value %d", source, i+1)
				}
			}
		}
	})
	t.Logf("%d formulas were judged", judged)
	if judged < 50 {
		t.Errorf("only %d formulas were judged", judged)
	}
}
