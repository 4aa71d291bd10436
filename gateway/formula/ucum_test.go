package formula_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"weighpost/gateway/formula"
	"weighpost/gateway/needs"
)

const ucumDir = "../../testdata/ucum"

type conversion struct{ From, To string }

// theirs converts one of each unit into the other with @lhncbc/ucum-lhc 7.1.10 (npm, of the National Library of Medicine); nil where it
// refuses to.
func theirs(t *testing.T, all []conversion) (out []*float64) {
	t.Helper()
	needs.Programs(t, "node")
	_, err := os.Stat(filepath.Join(ucumDir, "node_modules", "@lhncbc", "ucum-lhc"))
	needs.That(t, err == nil, "ucum-lhc: cd testdata/ucum && npm ci --ignore-scripts")
	in, err := json.Marshal(all)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), "node", "-e", `
const ucum = require("@lhncbc/ucum-lhc").UcumLhcUtils.getInstance();
const all = JSON.parse(require("fs").readFileSync(0));
console.log(JSON.stringify(all.map(c => { const r = ucum.convertUnitTo(c.From, 1, c.To); return r.status === "succeeded" ? r.toVal : null; })));`)
	cmd.Dir, cmd.Stdin = ucumDir, strings.NewReader(string(in))
	answer, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(answer, &out); err != nil || len(out) != len(all) {
		t.Fatalf("%v: %.300s", err, answer)
	}
	return out
}

func ours(t *testing.T, c conversion) (*big.Rat, error) {
	t.Helper()
	q, err := formula.NewQuantity(big.NewRat(1, 1), unitOf(t, c.From)).In(unitOf(t, c.To))
	if err != nil {
		return nil, err
	}
	return q.Value(), nil
}

// judge holds conversions here against those there. The one difference that is meant: UCUM makes a mole a plain number and lets Cel turn
// into K, and here an amount of substance is a kind of its own and 20 °C never becomes 293.15 K by itself.
func judge(t *testing.T, all []conversion) (agreed, refused int) {
	t.Helper()
	for i, there := range theirs(t, all) {
		c := all[i]
		here, err := ours(t, c)
		switch {
		case err == nil && there == nil:
			t.Errorf("1 %s in %s: %s here, and nothing there", c.From, c.To, here.FloatString(12))
		case err == nil:
			agreed++
			if f, _ := here.Float64(); math.Abs(f-*there) > 1e-13*math.Abs(f) {
				t.Errorf("1 %s in %s: %.17g here, %.17g there", c.From, c.To, f, *there)
			}
		case there == nil:
			refused++
		case !strings.Contains(c.From+c.To, "mol") && (c.From == "Cel") == (c.To == "Cel"):
			t.Errorf("1 %s in %s: %v here, %.17g there", c.From, c.To, err, *there)
		}
	}
	return agreed, refused
}

// TestUnitsOfAnotherImplementation converts every unit into every other.
func TestUnitsOfAnotherImplementation(t *testing.T) {
	var all []conversion
	for _, from := range formula.Units() {
		for _, to := range formula.Units() {
			all = append(all, conversion{from, to})
		}
	}
	agreed, refused := judge(t, all)
	t.Logf("%d units: %d conversions agree, %d are refused by both", len(formula.Units()), agreed, refused)
	if agreed < 500 || refused < 1500 {
		t.Errorf("only %d agreed and %d were refused", agreed, refused)
	}
}

// TestProductsOfAnotherImplementation converts random products of units into others, by the codes that are read and by those written.
func TestProductsOfAnotherImplementation(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	g := rand.New(rand.NewPCG(seed, 1))
	groups := map[formula.Dimension][]string{}
	var codes []string
	for _, code := range formula.Units() {
		if u := unitOf(t, code); code != "Cel" && code != "1" && code != "{pieces}" {
			groups[u.Dimension()], codes = append(groups[u.Dimension()], code), append(codes, code)
		}
	}
	pick := func(from []string) string { return from[g.IntN(len(from))] }
	var all []conversion
	for range 600 {
		var a, b strings.Builder
		for i := range 1 + g.IntN(3) {
			code, power := pick(codes), ""
			if n := g.IntN(7) - 3; n != 0 && n != 1 && !strings.ContainsAny(code, "%[") {
				power = fmt.Sprint(n)
			}
			if i > 0 {
				sep := string("./"[g.IntN(2)])
				a.WriteString(sep)
				b.WriteString(sep)
			}
			a.WriteString(code + power)
			b.WriteString(pick(groups[unitOf(t, code).Dimension()]) + power)
		}
		if _, err := formula.ParseUnit(a.String()); err != nil && strings.Contains(err.Error(), "powers beyond") {
			continue
		}
		from, to := unitOf(t, a.String()), unitOf(t, b.String())
		all = append(all, conversion{a.String(), b.String()}, conversion{from.Code(), to.Code()}, conversion{a.String(), from.Code()}, conversion{from.Code(), pick(codes)})
	}
	agreed, refused := judge(t, all)
	t.Logf("%d conversions agree, %d are refused by both", agreed, refused)
	if agreed < 1200 || refused < 150 {
		t.Errorf("only %d agreed and %d were refused", agreed, refused)
	}
}

func TestCodesAreRead(t *testing.T) {
	for code, want := range map[string]string{"g.m-2": "g/m2", "mg/kg": "mg/kg", "\u00b5g": "ug", "\u03bcg/ml": "ug/mL", "\u00b0C": "Cel", "ppm": "[ppm]", "": "1", "1": "1", "1/K": "/K", "/K": "/K", "K-1": "/K",
		"g/mL/min": "g/mL/min", "cm3": "cm3", "mol/L": "mol/L", "%": "%", "{pieces}": "{pieces}", "kg/m3": "kg/m3"} {
		if u, err := formula.ParseUnit(code); err != nil || u.Code() != want {
			t.Errorf("%q: %q %v, not %q", code, u.Code(), err, want)
		}
	}
	for code, want := range map[string]string{"MG": "perhaps mg", "g/": "is no unit", "g//m": "is no unit", "m0": "power of 0", "m13": "power of 13", "Cel/min": "Cel stands alone", "Cel2": "Cel stands alone", "g m": "is no unit",
		"m9.m9": "beyond 12", strings.Repeat("m", 100): "at most 60", "oz": "is no unit", "lb": "is no unit", "(g)": "is no unit", "g\x00": "is no unit", "pc": "is no unit"} {
		if _, err := formula.ParseUnit(code); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v; want %q", code, err, want)
		}
	}
}

func TestDimensionsInWords(t *testing.T) {
	for code, want := range map[string]string{"mg": "a mass", "mL": "a volume", "cm3": "a volume", "cm2": "an area", "g/m2": "a mass per area", "g/L": "a mass per volume", "mol/L": "an amount of substance per volume", "Cel": "a Celsius temperature",
		"K": "a temperature difference", "%": "a number", "mg/g": "a number", "hPa": "a pressure", "g/mol": "a mass per amount of substance", "h": "a time", "g2.m-1": "a quantity of mass squared per length",
		"g.K2/mol3.s-1": "a quantity of mass times temperature difference squared per time and per amount of substance cubed", "/mol": "a number per amount of substance"} {
		if got := unitOf(t, code).Dimension().String(); got != want {
			t.Errorf("%s is %q, not %q", code, got, want)
		}
	}
}

func TestQuantitiesKeepTheirText(t *testing.T) {
	for _, s := range []string{"12.50 mg", "0.10", "-0.0 g", "1e-6 m", "+5 %", "21.5 Cel"} {
		if q := quantity(t, s); q.String() != s {
			t.Errorf("%q is %q", s, q)
		}
	}
	if q, err := quantity(t, "12.50 mg").In(unitOf(t, "g")); err != nil || q.String() != "0.0125 g" {
		t.Errorf("%v %v", q, err)
	}
	if _, err := quantity(t, "1 Cel").In(unitOf(t, "K")); err == nil {
		t.Error("1 Cel is given in K")
	}
	for s, want := range map[string]string{"10mg": "needs a space", "5%": "needs a space", "1,5 g": "a comma", "g": "no number", "": "no number", " 1 g": "no number", "1  g": "no unit", "1 ": "ends with a space", "1 g ": "no unit", "1 xyz": "no unit",
		"1e99 g": "power of ten", "1e999999999": "no number", "--1": "no number", "0x1": "no number", "Inf": "no number", "NaN": "no number", "1/3": "no number", "1_0": "no number", "\xff": "UTF-8", strings.Repeat("1", 300): "at most 200", strings.Repeat("1", 61): "at most 60",
		"1\u00a0g": "no number", "\u0661 g": "no number"} {
		if q, err := formula.ParseQuantity(s); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v %v; want %q", s, q, err, want)
		}
	}
}
