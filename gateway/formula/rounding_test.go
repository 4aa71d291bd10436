package formula_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os/exec"
	"strings"
	"testing"

	"weighpost/gateway/formula"
	"weighpost/gateway/needs"
)

func rounded(t testing.TB, source string, r formula.Rounding, unit string) (formula.Result, error) {
	t.Helper()
	return eval(t, source, formula.Options{Rounding: r, Unit: unit})
}

func places(n int) *int { return &n }

// TestRoundingsInPrint holds roundings that others print: the examples of NIST SP 811 (2008), B.7.1, as public texts quote them, and the
// ties of IEEE 754-2019, 4.3 (from memory), that tell the rules apart.
func TestRoundingsInPrint(t *testing.T) {
	for _, c := range []struct{ x, to, even, away, up, down, from string }{
		{"6.9749515", "0.01", "6.97", "6.97", "6.98", "6.97", "SP 811: less than half"},
		{"6.9749515", "0.0001", "6.9750", "6.9750", "6.9750", "6.9749", "SP 811: more than half"},
		{"6.9749515", "0.000001", "6.974952", "6.974952", "6.974952", "6.974951", "SP 811: a half, and the digit before it odd"},
		{"6.9749505", "0.000001", "6.974950", "6.974951", "6.974951", "6.974950", "SP 811: a half, and the digit before it even"},
		{"0.5", "1", "0", "1", "1", "0", "IEEE 754"}, {"1.5", "1", "2", "2", "2", "1", "IEEE 754"}, {"2.5", "1", "2", "3", "3", "2", "IEEE 754"},
		{"-0.5", "1", "0", "-1", "0", "-1", "IEEE 754"}, {"-1.5", "1", "-2", "-2", "-1", "-2", "IEEE 754"}, {"-2.5", "1", "-2", "-3", "-2", "-3", "IEEE 754"},
	} {
		for rule, want := range map[string]string{"half-even": c.even, "": c.even, "half-up": c.away, "up": c.up, "down": c.down} {
			r, err := rounded(t, "0 + "+fmt.Sprintf("%q", c.x), formula.Rounding{To: c.to, Rule: rule}, "")
			if err != nil || r.Trace.Rounded != want {
				t.Errorf("%s to %s, %s: %s %v, not %s (%s)", c.x, c.to, rule, r.Trace.Rounded, err, want, c.from)
			}
		}
	}
}

func TestRoundedTextKeepsItsZeros(t *testing.T) {
	for _, c := range []struct {
		source, unit            string
		rule                    formula.Rounding
		unrounded, text, ofUnit string
		words                   string
	}{
		{"gross - tare", "", formula.Rounding{To: "0.01 g"}, "10", "10.00", "g", "to 0.01 g, half to even"},
		{"gross - tare", "mg", formula.Rounding{To: "0.01 g"}, "10000", "10000", "mg", "to 0.01 g, half to even"},
		{"drop / 3", "", formula.Rounding{To: "0.001 g", Rule: "up"}, "0.0033333333333333333…", "0.004", "g", "to 0.001 g, up, so that it never says less"},
		{"drop / 3", "", formula.Rounding{Significant: 3, Rule: "half-up"}, "3.3333333333333333…", "3.33", "mg", "to 3 significant digits, half away from zero"},
		{"drop / 3", "g", formula.Rounding{Decimals: places(2), Rule: "down"}, "0.0033333333333333333…", "0.00", "g", "to 2 decimals, down, so that it never says more"},
		{"9.996", "", formula.Rounding{Significant: 3}, "9.996", "10.0", "1", "to 3 significant digits, half to even"},
		{"0.09996", "", formula.Rounding{Significant: 3}, "0.09996", "0.100", "1", "to 3 significant digits, half to even"},
		{"12345", "", formula.Rounding{Significant: 1}, "12345", "10000", "1", "to 1 significant digit, half to even"},
		{"95", "", formula.Rounding{Significant: 1, Rule: "half-up"}, "95", "100", "1", "to 1 significant digit, half away from zero"},
		{"-9.999", "", formula.Rounding{Significant: 2, Rule: "down"}, "-9.999", "-10", "1", "to 2 significant digits, down, so that it never says more"},
		{"-9.91", "", formula.Rounding{Significant: 2, Rule: "up"}, "-9.91", "-9.9", "1", "to 2 significant digits, up, so that it never says less"},
		{"0 * 5", "", formula.Rounding{Significant: 3}, "0", "0", "1", "to 3 significant digits, half to even"},
		{"(gross - tare) / gross", "%", formula.Rounding{Decimals: places(1)}, "80", "80.0", "%", "to 1 decimal, half to even"},
		{"gross / 3", "", formula.Rounding{Decimals: places(0)}, "4.1666666666666666…", "4", "g", "to 0 decimals, half to even"},
		{"t - t0", "", formula.Rounding{To: "0.5 K"}, "1.5", "1.5", "K", "to 0.5 K, half to even"},
		{"t", "", formula.Rounding{To: "1 Cel"}, "21.5", "22", "Cel", "to 1 Cel, half to even"},
		{"gross", "", formula.Rounding{Rule: "none"}, "12.5", "12.5", "g", "not rounded"},
		{"gross > tare", "", formula.Rounding{}, "true", "true", "", "not rounded"},
		{"-0.001", "", formula.Rounding{Decimals: places(2)}, "-0.001", "0.00", "1", "to 2 decimals, half to even"},
	} {
		r, err := rounded(t, c.source, c.rule, c.unit)
		if err != nil {
			t.Errorf("%s: %v", c.source, err)
			continue
		}
		if got := r.Trace; got.Unrounded != c.unrounded || got.Rounded != c.text || got.Unit != c.ofUnit || got.Rule != c.words {
			t.Errorf("%s: %+v, not %+v", c.source, got, c)
		}
	}
}

func TestRoundingsThatAreNone(t *testing.T) {
	for _, c := range []struct {
		source, unit string
		rule         formula.Rounding
		want         string
	}{
		{"gross", "", formula.Rounding{To: "0.01 g", Significant: 3}, "more than one"}, {"gross", "", formula.Rounding{Rule: "up"}, "not to what"},
		{"gross", "", formula.Rounding{To: "0.01 m"}, "cannot be rounded to 0.01 m"}, {"gross", "", formula.Rounding{To: "0 g"}, "greater than zero"}, {"gross", "", formula.Rounding{To: "-1 g"}, "greater than zero"},
		{"gross", "", formula.Rounding{To: "x"}, "no number"}, {"gross", "", formula.Rounding{Significant: 31}, "1 to 30"}, {"gross", "", formula.Rounding{Significant: -1}, "1 to 30"}, {"gross", "", formula.Rounding{Decimals: places(31)}, "0 to 30"},
		{"gross", "", formula.Rounding{Decimals: places(-1)}, "0 to 30"}, {"gross", "", formula.Rounding{To: "1 g", Rule: "bankers"}, "is not known"}, {"gross > tare", "", formula.Rounding{To: "1 g"}, "only a quantity"},
		{"lots", "", formula.Rounding{To: "1 g"}, "only a quantity"}, {"wait", "min", formula.Rounding{To: "1 s"}, "no end of decimals"}, {"gross", "m", formula.Rounding{}, "cannot be given in m"}, {"dry", "g", formula.Rounding{}, "no unit"},
		{"gross", "xyz", formula.Rounding{}, "is no unit"}, {"gross", "", formula.Rounding{To: "1 g", Rule: "none"}, "is not known"},
	} {
		if _, err := rounded(t, c.source, c.rule, c.unit); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s %+v: %v; want %q", c.source, c.rule, err, c.want)
		}
	}
}

type judgedRounding struct {
	X           string `json:"x"`
	Rule        string `json:"rule"`
	Step        string `json:"step,omitempty"`
	Significant int    `json:"significant,omitempty"`
}

// TestASecondJudgeOfRounding rounds random numbers, half of them ties, with Python's decimal module too: the texts are the same, zeros
// included.
func TestASecondJudgeOfRounding(t *testing.T) {
	needs.Programs(t, "python3")
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	g := rand.New(rand.NewPCG(seed, 1))
	var cases []judgedRounding
	var in bytes.Buffer
	for range 800 {
		c := judgedRounding{Rule: []string{"half-even", "half-up", "up", "down"}[g.IntN(4)]}
		decimals := g.IntN(6)
		c.X = fmt.Sprintf("%d.%0*d", g.IntN(400)-200, decimals+1, g.IntN(10))
		if g.IntN(2) == 0 {
			c.X = c.X[:len(c.X)-1] + "5"
		}
		if g.IntN(2) == 0 {
			c.Significant = 1 + g.IntN(6)
		} else {
			c.Step = []string{"1", "0.5", "0.1", "0.25", "0.01", "0.02", "0.005", "0.0001", "20"}[g.IntN(9)]
		}
		b, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		cases = append(cases, c)
		in.Write(append(b, '\n'))
	}
	cmd := exec.CommandContext(t.Context(), "python3", "testdata/rounding_judge.py")
	cmd.Stdin, cmd.Stderr = &in, t.Output()
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	answers := bufio.NewScanner(bytes.NewReader(out))
	for _, c := range cases {
		if !answers.Scan() {
			t.Fatalf("no answer to %+v", c)
		}
		r, err := rounded(t, fmt.Sprintf("0 + %q", c.X), formula.Rounding{To: c.Step, Significant: c.Significant, Rule: c.Rule}, "")
		if err != nil || r.Trace.Rounded != answers.Text() {
			t.Errorf("%+v: %s %v here, %s there", c, r.Trace.Rounded, err, answers.Text())
		}
	}
}
