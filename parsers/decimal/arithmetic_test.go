package decimal_test

import (
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"weighpost/parsers/decimal"
)

// number draws a text that Parse takes: any sign, leading zeros, up to 18 digits, the point anywhere or nowhere.
func number(t *rapid.T, label string) decimal.Decimal {
	text := rapid.StringMatching(`[+-]?([0-9]{1,6}|[0-9]{0,8}\.[0-9]{1,10}|0{0,9}\.[0-9]{9}|[0-9]{18}|\.[0-9]{18})`).Draw(t, label)
	return decimal.MustParse(text)
}

// TestArithmeticAgreesWithBigRat compares every operation with exact fractions from the standard library.
func TestArithmeticAgreesWithBigRat(t *testing.T) {
	limit := new(big.Int).Exp(big.NewInt(10), big.NewInt(decimal.MaxDigits), nil)
	rapid.Check(t, func(t *rapid.T) {
		a, b := number(t, "a"), number(t, "b")
		if got, want := a.Cmp(b), a.Rat().Cmp(b.Rat()); got != want {
			t.Fatalf("%s.Cmp(%s) = %d, want %d", a, b, got, want)
		}
		scale := max(a.Scale(), b.Scale())
		judge := func(name string, got decimal.Decimal, ok bool, want *big.Rat, scale int) {
			// The exact result as a coefficient at that scale tells whether it had to fit.
			c := new(big.Rat).Mul(want, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(scale)), nil)))
			if !c.IsInt() {
				t.Fatalf("%s: the reference %v is finer than scale %d", name, want, scale)
			}
			fits := new(big.Int).Abs(c.Num()).Cmp(limit) < 0
			if ok && (got.Rat().Cmp(want) != 0 || got.Scale() != scale) {
				t.Fatalf("%s of %s and %s = %s, want %v", name, a, b, got, want)
			}
			if ok && !fits || !ok && fits && name == "Times" {
				t.Fatalf("%s of %s and %s: ok %v, but the exact result fits: %v", name, a, b, ok, fits)
			}
			if !ok && got != (decimal.Decimal{}) {
				t.Fatalf("%s is refused and still gives %s", name, got)
			}
		}
		sum, ok := a.Add(b)
		judge("Add", sum, ok, new(big.Rat).Add(a.Rat(), b.Rat()), scale)
		difference, ok := a.Sub(b)
		judge("Sub", difference, ok, new(big.Rat).Sub(a.Rat(), b.Rat()), scale)
		n := rapid.Int64Range(-1<<63, 1<<63-1).Draw(t, "n")
		product, ok := a.Times(n)
		judge("Times", product, ok, new(big.Rat).Mul(a.Rat(), new(big.Rat).SetInt64(n)), a.Scale())
		if got := a.Neg().Rat(); got.Cmp(new(big.Rat).Neg(a.Rat())) != 0 {
			t.Fatalf("%s.Neg() = %v", a, got)
		}
		if got := a.Abs().Rat(); got.Cmp(new(big.Rat).Abs(a.Rat())) != 0 {
			t.Fatalf("%s.Abs() = %v", a, got)
		}
	})
}

func TestAddReportsOverflow(t *testing.T) {
	for _, c := range []struct {
		a, b, sum string
		ok        bool
	}{
		{"0.10", "0.200", "0.300", true},
		{"-0.5", "+0.5", "0.0", true},
		{"999999999999999998", "1", "999999999999999999", true},
		{"999999999999999999", "1", "", false},
		{"999999999999999999", "0.1", "", false}, // 19 digits at one decimal
		{"-999999999999999999", "-1", "", false},
		{"12.3450", "-12.3449", "0.0001", true},
	} {
		sum, ok := decimal.MustParse(c.a).Add(decimal.MustParse(c.b))
		if ok != c.ok || ok && sum.String() != c.sum {
			t.Errorf("%s + %s = %s, %v; want %s, %v", c.a, c.b, sum, ok, c.sum, c.ok)
		}
	}
}

func TestSignsAsPrinted(t *testing.T) {
	for _, c := range [][4]string{ // text, Neg, Abs, WithoutPlus
		{"0.50", "-0.50", "0.50", "0.50"},
		{"+0.50", "-0.50", "+0.50", "0.50"},
		{"-0.50", "0.50", "0.50", "-0.50"},
		{"-0.00", "0.00", "0.00", "-0.00"},
	} {
		d := decimal.MustParse(c[0])
		if got := [4]string{d.String(), d.Neg().String(), d.Abs().String(), d.WithoutPlus().String()}; got != c {
			t.Errorf("text, Neg, Abs, WithoutPlus = %q, want %q", got, c)
		}
	}
}
