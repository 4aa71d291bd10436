package formula_test

import (
	"encoding/json"
	"fmt"
	"math/big"
	"strings"
	"testing"

	"weighpost/gateway/formula"
	"weighpost/gateway/metrology"
)

// standIn is a density of water on a straight line, invented for this test: the functions of procedures bring the published ones.
func standIn(t testing.TB) formula.Function {
	return formula.Function{
		Name: "made_up_density", Params: []formula.Type{formula.In(unitOf(t, "Cel"))}, Result: formula.In(unitOf(t, "kg/m3")), Says: "a line made up for a test", Source: metrology.Source{Name: "nobody", FromMemory: true},
		Do: func(args []formula.Value) (formula.Value, error) {
			x := args[0].Quantity.Value()
			if x.Cmp(big.NewRat(40, 1)) > 0 {
				return formula.Value{}, fmt.Errorf("the line ends at 40 Cel, and this is %s", args[0].Quantity)
			}
			u, err := formula.ParseUnit("kg/m3")
			return formula.Of(formula.NewQuantity(new(big.Rat).Sub(big.NewRat(1000, 1), x), u)), err
		},
	}
}

func TestTheTraceTellsTheWholeStory(t *testing.T) {
	r, err := eval(t, "(gross - tare) / made_up_density(t) * mean(n, n) + \"0 mL\"", formula.Options{Functions: []formula.Function{standIn(t)}, Unit: "mL", Rounding: formula.Rounding{To: "0.01 mL"}})
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.MarshalIndent(r.Trace, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	// 10 g / 978.5 kg/m3 · 8 = 81.757… mL
	want := `{
 "formula": "(gross - tare) / made_up_density(t) * mean(n, n) + \"0 mL\"",
 "inputs": [
  {
   "name": "gross",
   "value": "12.50 g"
  },
  {
   "name": "tare",
   "value": "2.50 g"
  },
  {
   "name": "t",
   "value": "21.5 Cel"
  },
  {
   "name": "n",
   "value": "8"
  }
 ],
 "unrounded": "81.7577925396014307…",
 "rounded": "81.76",
 "unit": "mL",
 "rule": "to 0.01 mL, half to even",
 "functions": [
  {
   "name": "made_up_density",
   "says": "a line made up for a test",
   "source": "nobody (from memory: hold the document against it before relying on it)"
  },
  {
   "name": "mean",
   "says": "the arithmetic mean",
   "source": "JCGM 100:2008, 4.2.1"
  }
 ]
}`
	if string(got) != want {
		t.Errorf("%s", got)
	}
	if r.Rounded.String() != "81.76 mL" {
		t.Errorf("%s", r.Rounded)
	}
	if r, err := eval(t, "mean(lots)", formula.Options{}); err != nil || strings.Join(r.Trace.Inputs[0].Values, ", ") != "2.51 g, 2.49 g, 2.50 g, 2.62 g" {
		t.Errorf("%+v %v", r.Trace, err)
	}
}

func TestFunctionsOfCallers(t *testing.T) {
	own := standIn(t)
	wrong := own
	wrong.Name, wrong.Do = "wrong", func([]formula.Value) (formula.Value, error) { return formula.Of(quantity(t, "1 g")), nil }
	grown := own
	grown.Name, grown.Do = "grown", func([]formula.Value) (formula.Value, error) {
		return formula.Of(formula.NewQuantity(new(big.Rat).SetInt(new(big.Int).Lsh(big.NewInt(1), 5000)), unitOf(t, "g/mL"))), nil
	}
	o := formula.Options{Functions: []formula.Function{own, wrong, grown}}
	for source, want := range map[string]string{
		"made_up_density(gross)": "column 17: made_up_density takes a Celsius temperature (Cel) here, and is given a mass (g)", "made_up_density()": "takes 1 argument, and is given 0", "made_up_density(t, t)": "is given 2",
		`made_up_density("20 Cell")`: `"20 Cell" is no quantity`, `made_up_density("41 Cel")`: "column 1: the line ends at 40 Cel, and this is 41 Cel", "wrong(t)": "what wrong gives has to be a mass per volume (kg/m3), and 1 g is a mass",
		"grown(t)": "4000 bits", "made_up_density": "is a function", "made_up_densty(t)": "perhaps made_up_density",
	} {
		if _, err := eval(t, source, o); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v; want %q", source, err, want)
		}
	}
	for name, want := range map[string]string{"mean": "is a function of the formula language", "gross": "declared twice", "not": "is a word of", "x y": "is no name", "": "is no name", "\u00e9": "is no name", strings.Repeat("x", 65): "is no name", "let": "is a word of"} {
		f := own
		f.Name = name
		if _, err := eval(t, "1", formula.Options{Functions: []formula.Function{f}}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want %q", name, err, want)
		}
	}
	if _, err := formula.Compile("1", formula.Options{Names: map[string]formula.Type{"x": {}}}); err == nil {
		t.Error("a name without a type")
	}
}

func TestWhatAFormulaSaysOfItself(t *testing.T) {
	types, _ := bench(t)
	f, err := formula.Compile("cv(lots) > loss ? gross : tare + gross", formula.Options{Names: types, Rounding: formula.Rounding{To: "1 mg"}})
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(f.Inputs(), " "); got != "lots loss gross tare" {
		t.Errorf("inputs %q", got)
	}
	if f.Type().String() != "a mass (mg)" || f.Rule() != "to 1 mg, half to even" || len(f.Functions()) != 1 || f.Source() == "" {
		t.Errorf("%s %s %v", f.Type(), f.Rule(), f.Functions())
	}
}
