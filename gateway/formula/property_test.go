package formula_test

import (
	"fmt"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"weighpost/gateway/formula"
)

// The properties draw with rapid, which prints the seed of a failure and shrinks it.

var kinds = [][]string{{"g", "mg", "kg", "ug", "t", "[gr]", "[oz_tr]"}, {"mL", "L", "cm3", "uL", "m3"}, {"m", "mm", "cm", "um"}, {"min", "s", "h", "d"}, {"%", "1", "[ppm]"}, {"g/mL", "kg/m3", "mg/uL"}, {"mol", "mmol"}, {"g/m2", "mg.cm-2"}}

func digits(r *rapid.T, label string) string {
	s := fmt.Sprintf("%d.%0*d", rapid.IntRange(-9999, 9999).Draw(r, label), rapid.IntRange(1, 6).Draw(r, label+" decimals"), rapid.IntRange(0, 9).Draw(r, label+" last"))
	return s
}

func drawQuantity(r *rapid.T, kind []string, label string) formula.Quantity {
	code := rapid.SampledFrom(kind).Draw(r, label+" unit")
	q, err := formula.ParseQuantity(digits(r, label) + " " + code)
	if err != nil {
		r.Fatal(err)
	}
	return q
}

func evalIn(r *rapid.T, source string, in map[string]formula.Value) (formula.Result, error) {
	types := map[string]formula.Type{}
	for name, v := range in {
		types[name] = typeOf(v)
	}
	f, err := formula.Compile(source, formula.Options{Names: types})
	if err != nil {
		return formula.Result{}, err
	}
	return f.Eval(r.Context(), in)
}

func typeOf(v formula.Value) formula.Type {
	switch v.Kind {
	case formula.KindQuantity:
		return formula.In(v.Quantity.Unit)
	case formula.KindList:
		return formula.ListIn(v.List[0].Unit)
	}
	return formula.Type{Kind: v.Kind}
}

// TestSumsAndProductsAreExact has the laws of fractions hold to the last digit, whatever units are mixed.
func TestSumsAndProductsAreExact(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		kind := rapid.SampledFrom(kinds).Draw(r, "kind")
		in := map[string]formula.Value{}
		for _, name := range []string{"a", "b", "c"} {
			in[name] = formula.Of(drawQuantity(r, kind, name))
		}
		for _, law := range []string{"a + b == b + a", "(a + b) + c == a + (b + c)", "(a + b) - b == a", "a * b == b * a", "(a * b) * c == a * (b * c)", "a * (b + c) == a * b + a * c", "a - a == b - b",
			"a ** 2 == a * a", "-(-a) == a", "b == c or (a / (b - c)) * (b - c) == a", "sum(a, b, c) == a + b + c", "mean(a, b, c) * 3 == a + b + c", "max(a, b) + min(a, b) == a + b", "abs(a) ** 2 == a ** 2", "sqrt(a ** 2) == abs(a)",
			"median(a, b, c) == a + b + c - max(a, b, c) - min(a, b, c)"} {
			res, err := evalIn(r, law, in)
			if err != nil || !res.Value.Truth {
				r.Fatalf("%s: %v %v", law, res.Value, err)
			}
		}
	})
}

func TestUnitsGoThereAndBack(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		kind := rapid.SampledFrom(kinds).Draw(r, "kind")
		q := drawQuantity(r, kind, "q")
		u, err := formula.ParseUnit(rapid.SampledFrom(kind).Draw(r, "to"))
		if err != nil {
			r.Fatal(err)
		}
		there, err := q.In(u)
		if err != nil {
			r.Fatal(err)
		}
		again := formula.NewQuantity(there.Value(), u)
		if back, err := again.In(q.Unit); err != nil || back.Value().Cmp(q.Value()) != 0 {
			r.Fatalf("%v, %v, %v", q, there, back)
		}
	})
}

// shapes are formulas of a mass a, a mass b, a volume v and a list of masses x.
var shapes = []string{"a + b", "a - b", "a / v", "a * 3", "(a - b) / (a + a + b + b)", "mean(x)", "sd(x)", "cv(x)", "median(x)", "max(x) - min(x)", "sum(within(x, 2))", "count(within(x, 1))", "a < b ? a : b", "sqrt(a * a + b * b)", "a ** 3 / b ** 2", "first(x) / v",
	`a + "1 mg"`, "last(x) * v", "(a + b) / v * v"}

// inUnit gives a quantity, written in another unit.
func inUnit(r *rapid.T, q formula.Quantity, kind []string, label string) formula.Quantity {
	u, err := formula.ParseUnit(rapid.SampledFrom(kind).Draw(r, label))
	if err != nil {
		r.Fatal(err)
	}
	there, err := q.In(u)
	if err != nil {
		r.Fatal(err)
	}
	return formula.NewQuantity(there.Value(), u)
}

// TestUnitsOfInputsDoNotMatter has a formula, compiled once, give the same text to the last digit whatever units its inputs are given in,
// rounded and unrounded.
func TestUnitsOfInputsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		in := map[string]formula.Value{"a": formula.Of(drawQuantity(r, kinds[0], "a")), "b": formula.Of(drawQuantity(r, kinds[0], "b")), "v": formula.Of(drawQuantity(r, kinds[1], "v"))}
		var x []formula.Quantity
		for i := range rapid.IntRange(2, 6).Draw(r, "n") {
			x = append(x, drawQuantity(r, kinds[0], fmt.Sprint("x", i)))
		}
		in["x"] = formula.OfList(x)
		types, other := map[string]formula.Type{}, map[string]formula.Value{}
		for name, v := range in {
			types[name] = typeOf(v)
			kind := kinds[0]
			if name == "v" {
				kind = kinds[1]
			}
			if v.Kind == formula.KindList {
				var y []formula.Quantity
				for i, q := range v.List {
					y = append(y, inUnit(r, q, kind, fmt.Sprint("y", i)))
				}
				other[name] = formula.OfList(y)
			} else {
				other[name] = formula.Of(inUnit(r, v.Quantity, kind, "other "+name))
			}
		}
		source := rapid.SampledFrom(shapes).Draw(r, "formula")
		f, err := formula.Compile(source, formula.Options{Names: types, Rounding: formula.Rounding{Significant: rapid.IntRange(1, 9).Draw(r, "digits")}})
		if err != nil {
			r.Fatal(err)
		}
		p, err1 := f.Eval(r.Context(), in)
		q, err2 := f.Eval(r.Context(), other)
		if (err1 == nil) != (err2 == nil) || p.Trace.Rounded != q.Trace.Rounded || p.Trace.Unrounded != q.Trace.Unrounded || p.Trace.Unit != q.Trace.Unit {
			r.Fatalf("%s: %+v %v, and %+v %v", source, p.Trace, err1, q.Trace, err2)
		}
	})
}

// drawFormula writes a formula of a grammar that knows more than what is accepted, so that refusals are drawn as well.
func drawFormula(r *rapid.T, depth int) string {
	part := func() string { return drawFormula(r, depth-1) }
	if depth <= 0 {
		return rapid.SampledFrom([]string{"gross", "tare", "drop", "side", "t", "t0", "n", "v", "rho", "loss", "wait", "molar", "p", "zero", "lots", "none", "one", "dry", "colour", "1", "0.5", "3", `"10 mg"`, `"2 %"`, `"20 Cel"`, `"red"`, "true", "nix"}).Draw(r, "leaf")
	}
	switch rapid.IntRange(0, 9).Draw(r, "shape") {
	case 0, 1, 2:
		return part() + rapid.SampledFrom([]string{" + ", " - ", " * ", " / "}).Draw(r, "op") + part()
	case 3:
		return part() + rapid.SampledFrom([]string{" == ", " != ", " < ", " <= ", " > ", " >= "}).Draw(r, "op") + part()
	case 4:
		return part() + rapid.SampledFrom([]string{" and ", " or "}).Draw(r, "op") + part()
	case 5:
		return part() + " ? " + part() + " : " + part()
	case 6:
		return "(" + part() + ")"
	case 7:
		return rapid.SampledFrom([]string{"-", "not "}).Draw(r, "sign") + part()
	case 8:
		return part() + rapid.SampledFrom([]string{" ** 2", " ^ -1", " ** 12", " ** 0", " ** n"}).Draw(r, "power")
	}
	args := []string{part()}
	for range rapid.IntRange(0, 2).Draw(r, "more") {
		args = append(args, part())
	}
	return rapid.SampledFrom([]string{"abs", "min", "max", "sum", "mean", "sd", "cv", "rsd", "median", "count", "first", "last", "within", "sqrt", "twice", "len"}).Draw(r, "function") + "(" + strings.Join(args, ", ") + ")"
}

// hold evaluates whatever is accepted, and has the result be of the type that was promised.
func hold(t testing.TB, source string, o formula.Options, in map[string]formula.Value) (accepted, worked bool) {
	t.Helper()
	f, err := formula.Compile(source, o)
	if err != nil {
		if strings.TrimSpace(err.Error()) == "" {
			t.Fatalf("%q is refused without a word", source)
		}
		return false, false
	}
	res, err := f.Eval(t.Context(), in)
	if err != nil {
		if strings.TrimSpace(err.Error()) == "" {
			t.Fatalf("%q fails without a word", source)
		}
		if strings.Contains(err.Error(), "the result of the formula") || strings.Contains(err.Error(), "do not give") {
			t.Fatalf("%q promised %s: %v", source, f.Type(), err)
		}
		return true, false
	}
	got := formula.Type{Kind: res.Value.Kind}
	if got.Kind == formula.KindQuantity {
		got.Unit = res.Value.Quantity.Unit
	} else if got.Kind == formula.KindList {
		if got.Unit = f.Type().Unit; len(res.Value.List) > 0 {
			got.Unit = res.Value.List[0].Unit
		}
	}
	if !got.Same(f.Type()) || got.Unit.Code() != f.Type().Unit.Code() && got.Kind == formula.KindQuantity {
		t.Fatalf("%q promised %s and gave %s", source, f.Type(), got)
	}
	return true, true
}

func twice(types map[string]formula.Type) formula.Options {
	mass := types["gross"]
	return formula.Options{Names: types, Functions: []formula.Function{{Name: "twice", Params: []formula.Type{mass}, Result: mass, Says: "twice as much", Do: func(args []formula.Value) (formula.Value, error) {
		q := args[0].Quantity
		return formula.Of(formula.NewQuantity(new(big.Rat).Mul(q.Value(), big.NewRat(2, 1)), q.Unit)), nil
	}}}}
}

// TestWhatIsAcceptedGivesWhatWasPromised draws formulas: the type found when one is compiled is the type of what it comes to.
func TestWhatIsAcceptedGivesWhatWasPromised(t *testing.T) {
	types, in := bench(t)
	accepted, worked, drawn := 0, 0, 0
	rapid.Check(t, func(r *rapid.T) {
		for range 20 {
			a, w := hold(t, drawFormula(r, rapid.IntRange(1, 3).Draw(r, "depth")), twice(types), in)
			if drawn++; a {
				accepted++
			}
			if w {
				worked++
			}
		}
	})
	t.Logf("%d drawn, %d accepted, %d worked out", drawn, accepted, worked)
	if worked < drawn/20 {
		t.Errorf("only %d of %d were worked out: the drawing shows little", worked, drawn)
	}
}
