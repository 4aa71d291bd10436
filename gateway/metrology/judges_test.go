package metrology_test

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os/exec"
	"testing"

	"weighpost/gateway/metrology"
	"weighpost/gateway/needs"
)

// judged is a case that both judges work out.
type judged struct {
	Kind  string   `json:"kind"`
	X     []string `json:"x"`
	At    []string `json:"at,omitempty"`
	D     string   `json:"d,omitempty"`
	N     int      `json:"n"`
	Class string   `json:"class,omitempty"`
}

// digits makes a decimal between low and high with so many decimals.
func digits(g *rand.Rand, low, high float64, decimals int) string {
	return fmt.Sprintf("%.*f", decimals, low+(high-low)*g.Float64())
}

// several makes n of them.
func several(g *rand.Rand, n int, low, high float64, decimals int) (x []string) {
	for range n {
		x = append(x, digits(g, low, high, decimals))
	}
	return x
}

// caseOf makes a case at random, ties and ends of steps among them.
func caseOf(g *rand.Rand, kind string) judged {
	c := judged{Kind: kind}
	switch kind {
	case "repeatability":
		c.X, c.D = several(g, 2+g.IntN(14), 99.9995, 100.0005, 4), "0.0001"
	case "rounding":
		c.N = g.IntN(6)
		c.X = several(g, 1, -20, 20, c.N+1)
		if g.IntN(2) == 0 {
			c.X[0] = digits(g, -20, 20, c.N) // on the grid, and with a 5 behind it just between two
			if c.N > 0 {
				c.X[0] += "5"
			} else {
				c.X[0] += ".5"
			}
		}
	case "balance":
		c.Class, c.D = []string{"I", "II", "III", "IIII"}[g.IntN(4)], []string{"0.001", "0.02", "5"}[g.IntN(3)]
		ends := map[string][]int64{"I": {50000, 200000}, "II": {5000, 20000, 100000}, "III": {500, 2000, 10000}, "IIII": {50, 200, 1000}}[c.Class]
		m := new(big.Rat).Mul(big.NewRat(2*ends[g.IntN(len(ends))]+g.Int64N(5)-2, 2), mustRat(c.D))
		c.X = []string{m.FloatString(6)}
	case "air":
		c.X = []string{digits(g, 0.01, 500, 4), digits(g, 0.9, 1.3, 4), digits(g, 7800, 8400, 1), digits(g, 500, 21000, 1)}
	case "moist":
		c.X = []string{digits(g, 6, 39, 2), digits(g, 61000, 114000, 0), digits(g, 0, 1, 3), digits(g, 0.0003, 0.001, 5)}
	case "line":
		n := 3 + g.IntN(30)
		c.X, c.At = several(g, n, -1, 1, 4), several(g, n, 0, 400, 2)
	case "charts":
		c.X = several(g, 2+g.IntN(40), -3, 3, 3)
	case "budget":
		c.X, c.N = several(g, 3, 0.0001, 0.01, 6), 1+g.IntN(20)
	case "minimum":
		c.X = []string{digits(g, 0.00001, 0.01, 6), digits(g, 0, 0.00001, 9), digits(g, 0.0005, 0.01, 4), fmt.Sprint(1 + g.IntN(3))}
	}
	return c
}

func mustRat(s string) *big.Rat { x, _ := new(big.Rat).SetString(s); return x }

// ours works a case out with the program.
func ours(t *testing.T, c judged) map[string]*big.Rat {
	t.Helper()
	var x []*big.Rat
	var f []float64
	for _, s := range c.X {
		x = append(x, r(t, s))
		f = append(f, f64(t, s))
	}
	real := func(v float64) *big.Rat { return new(big.Rat).SetFloat64(v) }
	must := func(m *big.Rat, err error) *big.Rat {
		t.Helper()
		if err != nil {
			t.Fatalf("%+v: %v", c, err)
		}
		return m
	}
	switch c.Kind {
	case "repeatability":
		rep, err := metrology.RepeatabilityUSP41(x, r(t, c.D))
		must(nil, err)
		m, err := metrology.MinimumUSP41(rep.SD, r(t, c.D))
		must(nil, err)
		return map[string]*big.Rat{"mean": rep.Mean, "sd": rep.SD, "minimum": m.Mass}
	case "rounding":
		step := new(big.Rat).Inv(new(big.Rat).SetFloat64(math.Pow(10, float64(c.N))))
		return map[string]*big.Rat{"even": metrology.Round(x[0], step, metrology.HalfEven), "away": metrology.Round(x[0], step, metrology.HalfAway), "up": metrology.RoundUp(x[0], step)}
	case "balance":
		initial, _, err1 := metrology.MPEBalance(c.Class, r(t, c.D), x[0], false)
		service, _, err2 := metrology.MPEBalance(c.Class, r(t, c.D), x[0], true)
		if err1 != nil || err2 != nil {
			return map[string]*big.Rat{"initial": nil, "service": nil}
		}
		return map[string]*big.Rat{"initial": initial, "service": service}
	case "air":
		return map[string]*big.Rat{"true": must(metrology.TrueMass(x[0], x[1], x[2], x[3])), "conventional": must(metrology.Conventional(x[0], x[3]))}
	case "moist":
		a := metrology.Air{Celsius: f[0], Pascal: f[1], Humidity: f[2], CO2: f[3]}
		full, err1 := a.CIPM()
		simple, err2 := a.Simplified()
		must(nil, err1)
		must(nil, err2)
		return map[string]*big.Rat{"full": real(full.Density), "simple": real(simple)}
	case "line":
		var at []float64
		var loads []metrology.Placed
		for i, s := range c.At {
			at = append(at, f64(t, s))
			loads = append(loads, metrology.Placed{Load: r(t, s), Reading: new(big.Rat).Add(r(t, s), x[i])})
		}
		d, err := metrology.DriftOf(at, f)
		must(nil, err)
		l, err := metrology.LinearityOf(loads)
		must(nil, err)
		return map[string]*big.Rat{"slope": real(d.Slope), "at0": real(d.At0), "error": real(d.SlopeError), "through0": l.Slope}
	case "charts":
		e := metrology.EWMA{Lambda: 0.25, L: 3, Limits: metrology.Limits{Centre: f[0], Sigma: 1}}
		s := metrology.CUSUM{Target: f[0], K: 0.5, H: 5}
		var p metrology.EWMAPoint
		var q metrology.CUSUMPoint
		for _, v := range f {
			p, q = e.Add(v), s.Add(v)
		}
		l, err := metrology.Individuals(f)
		must(nil, err)
		return map[string]*big.Rat{"average": real(p.Value), "above": real(q.High), "below": real(q.Low), "sigma": real(l.Sigma)}
	case "budget":
		b, err := metrology.Combine([]metrology.Part{{HalfWidth: x[0], Spread: metrology.Rectangular}, {HalfWidth: x[1], Spread: metrology.Triangular},
			{HalfWidth: x[2], Spread: metrology.Normal, K: r(t, "2"), Freedom: c.N}}, r(t, "2"))
		must(nil, err)
		return map[string]*big.Rat{"u": b.Standard, "freedom": new(big.Rat).SetInt64(b.Freedom)}
	}
	m, err := metrology.MinimumCG18(metrology.InUse{Alpha: x[0], Beta: x[1]}, x[2], x[3])
	must(nil, err)
	return map[string]*big.Rat{"m": m.Mass}
}

// TestASecondJudge works random cases out by another program, testdata/second_judge.py on Python's fractions, decimal and statistics: exact
// results agree to 30 digits, what goes through float64 to 10.
func TestASecondJudge(t *testing.T) {
	needs.Programs(t, "python3")
	g := seeded(t)
	about := map[string]string{"line": "1e-9", "charts": "1e-11", "moist": "1e-12"}
	var cases []judged
	var in bytes.Buffer
	for _, kind := range []string{"repeatability", "rounding", "balance", "air", "moist", "line", "charts", "budget", "minimum"} {
		for range 25 {
			c := caseOf(g, kind)
			b, err := json.Marshal(c)
			if err != nil {
				t.Fatal(err)
			}
			cases = append(cases, c)
			in.Write(append(b, '\n'))
		}
	}
	cmd := exec.CommandContext(t.Context(), "python3", "testdata/second_judge.py")
	cmd.Stdin, cmd.Stderr = &in, t.Output()
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	answers := bufio.NewScanner(bytes.NewReader(out))
	for _, c := range cases {
		var theirs map[string]string
		if !answers.Scan() || json.Unmarshal(answers.Bytes(), &theirs) != nil {
			t.Fatalf("no answer to %+v: %q", c, answers.Bytes())
		}
		mine := ours(t, c)
		if len(mine) != len(theirs) {
			t.Fatalf("%+v: %v and %v", c, mine, theirs)
		}
		for name, want := range theirs {
			got := mine[name]
			if got == nil || want == "none" {
				if got != nil || want != "none" {
					t.Errorf("%+v: %s is %v here, and %s there", c, name, got, want)
				}
				continue
			}
			by := "1e-30"
			if c.Kind == "minimum" {
				by = "1e-25" // halved 140 times from 10⁹
			} else if about[c.Kind] != "" {
				by = about[c.Kind]
			}
			off := new(big.Rat).Sub(got, r(t, want))
			size := metrology.Max(new(big.Rat).Abs(got), r(t, "1e-3"))
			if off.Abs(off).Cmp(new(big.Rat).Mul(size, r(t, by))) > 0 {
				t.Errorf("%+v: %s is %s here, and %s there", c, name, got.FloatString(40), want)
			}
		}
	}
}
