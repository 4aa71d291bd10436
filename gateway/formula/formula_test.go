package formula_test

import (
	"errors"
	"math/big"
	"strings"
	"testing"

	"weighpost/gateway/formula"
)

func quantity(t testing.TB, s string) formula.Quantity {
	t.Helper()
	q, err := formula.ParseQuantity(s)
	if err != nil {
		t.Fatal(err)
	}
	return q
}

func unitOf(t testing.TB, code string) formula.Unit {
	t.Helper()
	u, err := formula.ParseUnit(code)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// bench holds names of every kind, and values for them.
func bench(t testing.TB) (map[string]formula.Type, map[string]formula.Value) {
	types, values := map[string]formula.Type{}, map[string]formula.Value{}
	for name, s := range map[string]string{"gross": "12.50 g", "tare": "2.50 g", "drop": "10 mg", "side": "20 mm", "t": "21.5 Cel", "t0": "20 Cel", "n": "8", "v": "10 mL",
		"rho": "0.9982 g/mL", "loss": "3 %", "wait": "90 min", "molar": "58.44 g/mol", "p": "1013.25 hPa", "zero": "0 g"} {
		q := quantity(t, s)
		types[name], values[name] = formula.In(q.Unit), formula.Of(q)
	}
	var lots []formula.Quantity
	for _, s := range []string{"2.51 g", "2.49 g", "2.50 g", "2.62 g"} {
		lots = append(lots, quantity(t, s))
	}
	types["lots"], values["lots"] = formula.ListIn(unitOf(t, "g")), formula.OfList(lots)
	types["none"], values["none"] = formula.ListIn(unitOf(t, "g")), formula.OfList(nil)
	types["one"], values["one"] = formula.ListIn(unitOf(t, "g")), formula.OfList(lots[:1])
	types["dry"], values["dry"] = formula.Truth, formula.OfTruth(true)
	types["colour"], values["colour"] = formula.Text, formula.OfText("10 mg")
	return types, values
}

func eval(t testing.TB, source string, o formula.Options) (formula.Result, error) {
	t.Helper()
	types, values := bench(t)
	if o.Names == nil {
		o.Names = types
	}
	f, err := formula.Compile(source, o)
	if err != nil {
		return formula.Result{}, err
	}
	return f.Eval(t.Context(), values)
}

func TestWhatFormulasComeTo(t *testing.T) {
	for source, want := range map[string]string{
		"gross - tare": "10 g", "gross - drop": "12.49 g", "drop + gross": "12510 mg", "0.1 + 0.2": "0.3", `"10 mg" * 3`: "30 mg", "gross / 3": "4.1666666666666666… g",
		"side * side": "400 mm2", "side ** 3": "8000 mm3", "gross / v": "1.25 g/mL", "rho * v": "9.982 g", "v * rho": "9.982 g", "gross / rho": "12.5225405730314566… mL",
		"(gross - tare) / gross": "0.8", "loss * gross": "0.375 g", `gross * "3 %"`: "0.375 g", "t - t0": "1.5 K", "mean(t, t0)": "20.75 Cel", `t > "20 Cel"`: "true",
		"mean(lots)": "2.53 g", "median(lots)": "2.505 g", "min(lots)": "2.49 g", "max(lots)": "2.62 g", "sum(lots)": "10.12 g", "count(lots)": "4", "first(lots)": "2.51 g",
		"last(lots)": "2.62 g", "count(within(lots, 1))": "3", "mean(within(lots, 1))": "2.5 g", "sum(none)": "0 g", "count(none)": "0", "sqrt(side * side)": "0.02 m",
		`sqrt("2")`: "1.4142135623730950…", "abs(tare - gross)": "10 g", "min(gross, tare, drop)": "0.01 g", "max(1, 2, 3)": "3", "dry ? gross : tare": "12.5 g",
		"not dry": "false", "dry and gross > tare": "true", "not dry or gross < tare": "false", `colour == "10 mg"`: "true", `colour == "red" ? "stop" : "go"`: "go",
		"tare < gross < 2 * gross": "true", "tare < drop < 2 * gross": "false", "-2 ** 2": "-4", "2 ^ -2": "0.25", "2 ^ 3 * 4": "32", "1 - 2 - 3": "-4", "8 / 4 / 2": "1",
		"1e-6 * 1E6": "1", "12345678901234567890123 + 0": "12345678901234567890123", "gross == gross": "true", `"1000 mg" == "1 g"`: "true", "loss": "3 %", "loss * loss": "0.0009",
		"molar * \"0.5 mol/L\" * v": "0.2922 g", "wait": "90 min", "true != false": "true", `-t0 + t0`: "", "rho": "0.9982 g/mL",
	} {
		if want == "" {
			continue
		}
		r, err := eval(t, source, formula.Options{})
		if err != nil {
			t.Errorf("%s: %v", source, err)
			continue
		}
		if got := r.Value.String(); got != want {
			t.Errorf("%s is %s, not %s", source, got, want)
		}
	}
}

func TestMistakesAreSentences(t *testing.T) {
	for source, want := range map[string]string{
		"gross + side": "column 7: a mass (g) and a length (mm) cannot be added", "gross - 1": `column 7: a mass (g) and a number cannot be subtracted from each other: give the number its unit, as in "1 g"`,
		"gross < 0": `give the number its unit, as in "0 g"`, "t + t0": "column 3: two Celsius temperatures cannot be added", "t * 2": "column 1: a Celsius temperature is no factor",
		"gros": "column 1: there is no value named gros: perhaps gross", "avg(lots)": "column 1: there is no function named avg", "gross ** 0.5": "a power is a whole number", "gross ** 13": "a power is a whole number as written, from -12 to 12",
		"2 ** n": "a power is a whole number", "lots + 1": "a list has to become one value first", `gross + "10 mgg"`: `"10 mgg" is no quantity: "mgg" is no unit that formulas know`,
		`gross + "10 MG"`: "capitals count: perhaps mg", "gross tare": "column 7: tare does not fit behind gross", "gross +": "column 8: the formula ends where something more should follow", "": "the formula is empty", "* 2": "a formula cannot begin with *",
		"(gross": "column 1: this parenthesis is never closed", "gross)": "column 6: this parenthesis was never opened", "10 mg": "column 4: mg does not fit behind 10", "10mg": "column 1: a number with a unit is written in quotes",
		"gross > tare ? 2": "column 17: the formula ends where", "dry ? gross": "ends where", "dry ? gross : side": "one is a mass (g), and the other a length (mm)", "gross ? 1 : 2": "has to be a truth", "lots[0]": "[ has no place",
		"map(lots, # * 2)": "# has no place", "lots | sum()": "| has no place", "{a: 1}": "{ has no place", "gross.x": ". has no place", "1..3": "a digit on either side", "gross .. tare": ".. has no place", "gross % 2": "% has no place", "5%": "a number with a unit", "a ?? b": "?? has no place",
		"let x = 1; x": "let has no place", `"a" + "b"`: `"a" is no quantity`, "len(colour)": "there is no function named len", "if dry {1} else {2}": "if has no place", "gross in lots": "in has no place",
		"filter(lots)": "there is no function named filter", "now()": "there is no function named now", "0x10": "column 1: a number with a unit", "1_000": "a number with a unit", "1,5 + 2": "does not fit", ".5": "before its point", "5.": "a digit on either side",
		"1e999999999": "no number", "1e31": "too great a power of ten", "1e-31": "too great a power of ten", "gross = 1": "compared with ==", "dry == 1": "cannot be compared by ==", "colour < colour": "cannot be compared by <",
		"sqrt(gross)": "has no square root", "within(gross, 2)": "within takes a list and a number", "within(lots, gross)": "within takes a list and a number", "mean()": "it is given nothing", "mean(lots, gross)": "a list and something else",
		"mean(gross, side)": "different kinds", "cv(t, t0)": "Celsius", "sum(t, t0)": "Celsius", "not gross > tare": "not takes a truth", "gross\n+ side": "line 2, column 1: a mass", "mean": "mean is a function", "gross(2)": "gross is a value and no function",
		"gross // x": "holds no remarks", "'a\\'b'": "no escapes", "\u202egross": "U+202E", "gr\u043ess": "names have letters", "gross\u00a0+ tare": "U+00A0", "\x00": "U+0000", "\xff": "not UTF-8", "dry ? : 1": "a condition is written",
		"f(1,)": "something is missing", `b"x"`: "a quote right behind b", `"x`: "never closed", "nil": "nil has no place", "`x`": "` has no place", "gross; tare": "; has no place", "-t": "no opposite", "!dry": "! has no place",
	} {
		_, err := eval(t, source, formula.Options{})
		var all formula.Mistakes
		if !errors.As(err, &all) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want %q", source, err, want)
		}
	}
}

func TestEveryMistakeAtOnce(t *testing.T) {
	_, err := eval(t, "(gross + side) * nix + avg(lots)\n + (t + t0)", formula.Options{})
	var all formula.Mistakes
	if !errors.As(err, &all) || len(all) != 4 || all[0].Column != 8 || all[3].Line != 2 {
		t.Errorf("%v", err)
	}
}

func TestMistakesOfValues(t *testing.T) {
	for source, want := range map[string]string{
		"gross / zero": "column 7: this divides by zero", "gross / (tare - tare)": "column 7: this divides by zero", "sd(one)": "column 1: a standard deviation takes two values or more, and there is 1",
		"mean(none)": "column 1: there is no value in the list", "cv(none)": "there are 0", "sqrt(0 - 1)": "below zero has no square root", "zero ** -1": "zero has no power of -1", "cv(zero, zero)": "mean is above zero",
		"within(lots, -1)": "not below zero", "first(none)": "no value", "((((9e30 ** 12) ** 12)))": "more than 4000 bits", "median(none)": "no value", "within(one, 2)": "two values or more",
	} {
		_, err := eval(t, source, formula.Options{})
		var m formula.Mistake
		if !errors.As(err, &m) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want %q", source, err, want)
		}
	}
}

func TestInputsAreHeldAgainstTheirTypes(t *testing.T) {
	f, err := formula.Compile("gross - tare", formula.Options{Names: map[string]formula.Type{"gross": formula.In(unitOf(t, "g")), "tare": formula.In(unitOf(t, "g"))}})
	if err != nil {
		t.Fatal(err)
	}
	g := formula.Of(quantity(t, "1 g"))
	long := formula.Of(formula.NewQuantity(new(big.Rat).SetInt(new(big.Int).Lsh(big.NewInt(1), 4001)), unitOf(t, "g")))
	for _, c := range []struct {
		tare formula.Value
		want string
	}{{formula.Value{}, "the value tare has to be a mass (g), and is missing"}, {formula.Of(quantity(t, "1 m")), "has to be a mass (g), and 1 m is a length"},
		{formula.OfText("1 g"), "and is a text"}, {long, "more than 4000 bits"}} {
		if _, err := f.Eval(t.Context(), map[string]formula.Value{"gross": g, "tare": c.tare}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v; want %q", err, c.want)
		}
	}
	if _, err := f.Eval(t.Context(), map[string]formula.Value{"gross": g}); err == nil || err.Error() != "the value tare is missing" {
		t.Error(err)
	}
}

// TestWithinKeepsItsEdge has values just at the limit stay: of 0, 1 and 2 g the mean is 1 g and the standard deviation 1 g.
func TestWithinKeepsItsEdge(t *testing.T) {
	g := unitOf(t, "g")
	f, err := formula.Compile("count(within(x, 1)) * 10 + count(within(x, 0.999999))", formula.Options{Names: map[string]formula.Type{"x": formula.ListIn(g)}})
	if err != nil {
		t.Fatal(err)
	}
	x := []formula.Quantity{quantity(t, "0 g"), quantity(t, "1 g"), quantity(t, "2 g")}
	if r, err := f.Eval(t.Context(), map[string]formula.Value{"x": formula.OfList(x)}); err != nil || r.Trace.Rounded != "31" {
		t.Errorf("%s %v", r.Trace.Rounded, err)
	}
}
