package screens

import (
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// aimCase is a weight and a target, and how one stands to the other. The words were worked out with a pencil.
type aimCase struct {
	digits, unit         string
	target               console.RunTarget
	is, apart, net, says string
	lit, past            int
}

func wantedGrams(wanted, low, high, offset string) console.RunTarget {
	return console.RunTarget{Unit: "g", Wanted: wanted, Low: low, High: high, Offset: offset}
}

var aimCases = []aimCase{
	{digits: "12.4877", unit: "g", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "within", apart: "0.0123 g below the target", net: "12.4877 g", lit: 9},
	{digits: "12.4500", unit: "g", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "within", apart: "0.0500 g below the target", net: "12.4500 g", lit: 9}, // the edge passes
	{digits: "12.4499", unit: "g", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "under", apart: "0.0501 g", net: "12.4499 g", lit: 9},
	{digits: "12.5501", unit: "g", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "over", apart: "0.0501 g", net: "12.5501 g", lit: 9, past: 1},
	{digits: "13.0000", unit: "g", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "over", apart: "0.5000 g", net: "13.0000 g", lit: 9, past: 2},
	{digits: "112.0000", unit: "g", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "over", apart: "99.5000 g", net: "112.0000 g", lit: 9, past: 3},
	{digits: "0.0000", unit: "g", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "under", apart: "12.5000 g", net: "0.0000 g", lit: 2},
	{digits: "12.5000", unit: "g", target: wantedGrams("12.5", "12.45", "12.55", "0"), is: "within", apart: "exactly the target", net: "12.5000 g", lit: 9},
	{digits: "45.6789", unit: "g", target: wantedGrams("10.0000", "9.9000", "10.1000", "35.6666"), is: "within", apart: "0.0123 g above the target", net: "10.0123 g", lit: 9},
	{digits: "12487.7", unit: "mg", target: wantedGrams("12.5000", "12.4500", "12.5500", "0"), is: "within", apart: "0.0123 g below the target", net: "12.4877 g", lit: 9},
	{digits: "0.012", unit: "kg", target: wantedGrams("12.5", "12.45", "12.55", "0"), is: "under", apart: "0.5 g", net: "12 g", lit: 7},
	{digits: "1.00", unit: "[car_m]", target: wantedGrams("0.2", "0.19", "0.21", "0"), is: "within", apart: "exactly the target", net: "0.200 g", lit: 9},
	{digits: "90.0000", unit: "g", target: console.RunTarget{Unit: "g", Wanted: "5", Low: "4.9", High: "5.1", Offset: "95.0500", Removing: true}, is: "within", apart: "0.0500 g above the target", net: "5.0500 g", lit: 9},
	{digits: "95.0500", unit: "g", target: console.RunTarget{Unit: "g", Wanted: "5", Low: "4.9", High: "5.1", Offset: "95.0500", Removing: true}, is: "under", apart: "5.0000 g", net: "0.0000 g", lit: 4},
	{digits: "-0.0002", unit: "g", target: wantedGrams("0.0000", "0.0000", "0.0000", "0"), is: "under", apart: "0.0002 g", net: "-0.0002 g", lit: 8},
	{digits: "0.0001", unit: "g", target: wantedGrams("0.0000", "", "", "0"), is: "over", apart: "0.0001 g", net: "0.0001 g", lit: 9, past: 1},
	{digits: "0.30000000000000000001", unit: "g", target: wantedGrams("0.3", "0.3", "0.3", "0"), is: "over", apart: "0.00000000000000000001 g", net: "0.30000000000000000001 g", lit: 9, past: 1}, // no binary fraction tells these apart
	{digits: "1", unit: "[lb_av]", target: wantedGrams("1", "1", "1", "0"), is: "over", apart: "452.59237 g", net: "453.59237 g", lit: 9, past: 3},
	{digits: "0.0000", unit: "g", target: wantedGrams("0.050010001", "0.0450090009", "0.0550110011", "0"), is: "under", apart: "0.0500 g", net: "0.0000 g", lit: 7}, // digits that nobody can weigh
	{digits: "0.0450", unit: "g", target: wantedGrams("0.050010001", "0.0450090009", "0.0550110011", "0"), is: "under", apart: "0.0050 g", net: "0.0450 g", lit: 9},
	{digits: "0.0451", unit: "g", target: wantedGrams("0.050010001", "0.0450090009", "0.0550110011", "0"), is: "within", apart: "0.0049 g below the target", net: "0.0451 g", lit: 9},
	{digits: "0.3333", unit: "g", target: wantedGrams("0.33334", "0.33333", "0.4", "0"), is: "under", apart: "0.00004 g", net: "0.3333 g", lit: 9}, // and never 0.0000 g too little
	{digits: "0.3333", unit: "g", target: wantedGrams("0.33334", "0.3", "0.4", "0"), is: "within", apart: "the target, to the last digit", net: "0.3333 g", lit: 9},
	{digits: "0.3333", unit: "g", target: wantedGrams("0.333333333333", "0.333333333", "0.333333334", "0"), is: "under", apart: "0.000033333 g", net: "0.3333 g"}, // finer than the balance
	{digits: "12", unit: "g", target: console.RunTarget{Unit: "g", Wanted: "12.3456789", Low: "12.2", High: "12.5", Offset: "0", Readability: "0.001"}, is: "under", apart: "0.346 g", net: "12 g", lit: 9},
	{digits: "5.0000", unit: "g", target: wantedGrams("5", "4.9", "5.1", "0.00003"), is: "within", apart: "the target, to the last digit", net: "5.0000 g", lit: 9},
	{digits: "0.0000", unit: "g", target: wantedGrams("0", "-0.1", "0.1", "0.00003"), is: "within", apart: "the target, to the last digit", net: "0.0000 g", lit: 9},
	{digits: "12.5", unit: "", target: wantedGrams("12.5", "12.4", "12.6", "0"), says: "is in g: it is not compared."},
	{digits: "12.5", unit: "%", target: wantedGrams("12.5", "12.4", "12.6", "0"), says: "The balance shows %, and the target is in g"},
	{digits: "1e3", unit: "g", target: wantedGrams("12.5", "12.4", "12.6", "0"), says: "cannot be compared"},
	{digits: "12.5", unit: "g", target: wantedGrams("12,5", "12.4", "12.6", "0"), says: "cannot be compared"},
	{digits: "", unit: "g", target: wantedGrams("12.5", "12.4", "12.6", "0"), says: "No weight to compare."},
}

func (c aimCase) value() *record.Value {
	return &record.Value{Digits: c.digits, Unit: c.unit, PrintedUnit: c.unit, Kind: "net", Stability: "stable", Range: "in"}
}

// TestAWeightIsHeldAgainstItsTargetExactly, down to the edge, through what is taken off, in another unit, and to the twentieth decimal.
func TestAWeightIsHeldAgainstItsTargetExactly(t *testing.T) {
	for _, c := range aimCases {
		a := aimAt(&c.target, c.value())
		if c.says != "" {
			if !strings.Contains(a.Why, c.says) || a.Is != "" {
				t.Errorf("%s %s: %q, %q", c.digits, c.unit, a.Is, a.Why)
			}
			continue
		}
		if a.Is != c.is || a.Apart != c.apart || a.Net != c.net || a.Lit != c.lit || a.Past != c.past {
			t.Errorf("%s %s against %+v: %s, %q, net %q, %d and %d seeds; want %s, %q, %q, %d and %d", c.digits, c.unit, c.target, a.Is, a.Apart, a.Net, a.Lit, a.Past, c.is, c.apart, c.net, c.lit, c.past)
		}
	}
	if aimAt(nil, nil) != nil {
		t.Error("where there is no target there is something to aim at")
	}
}

// TestWhatIsUnderIsNeverWithin: for random weights and targets, under, within and over are what the comparison of fractions says, and the row
// of seeds fills up as the weight grows. The seed is printed.
func TestWhatIsUnderIsNeverWithin(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 11))
	digits := func(places int) string {
		return big.NewRat(r.Int64N(2_000_000)-500_000, int64(1)).Quo(big.NewRat(r.Int64N(2_000_000)-500_000, 1), new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))).FloatString(places)
	}
	for range 2_000 {
		low, more, offset := digits(4), r.Int64N(5_000), digits(3)
		lowRat, _ := ratOf(low)
		high := new(big.Rat).Add(lowRat, big.NewRat(more, 10_000))
		wanted := new(big.Rat).Add(lowRat, big.NewRat(more, 20_000))
		target := &console.RunTarget{Unit: "g", Low: low, High: high.FloatString(4), Wanted: wanted.FloatString(5), Offset: offset, Removing: r.IntN(4) == 0}
		shown, lit := digits(r.IntN(5)), -1
		if r.IntN(3) == 0 { // at the edge
			edge, _ := ratOf(offset)
			shown = new(big.Rat).Add(edge, lowRat).FloatString(4)
		}
		for step := range 3 {
			now, _ := ratOf(shown)
			now = now.Add(now, big.NewRat(int64(step)*3, 1))
			a := aimAt(target, &record.Value{Digits: now.FloatString(4), Unit: "g", Range: "in"})
			net, _ := ratOf(offset)
			net = new(big.Rat).Sub(now, net)
			if target.Removing {
				net.Neg(net)
			}
			want := "within"
			if net.Cmp(lowRat) < 0 {
				want = "under"
			} else if net.Cmp(high) > 0 {
				want = "over"
			}
			if a.Is != want {
				t.Fatalf("%s against %+v is %s, and not %s", now.FloatString(4), target, a.Is, want)
			}
			if !target.Removing && a.Lit < lit {
				t.Fatalf("%s against %+v: %d seeds after %d", now.FloatString(4), target, a.Lit, lit)
			}
			lit = a.Lit
		}
	}
}
