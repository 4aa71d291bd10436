package metrology

import (
	"math/big"
	"strings"
)

// Mode is a rule for rounding. Both round to the nearest; they differ where the value lies just between two.
type Mode uint8

const (
	// HalfEven takes the neighbour whose last digit is even (ISO 80000-1:2022, B.3, rule A; IEEE 754 roundTiesToEven). It is the rule
	// for means and standard deviations, since it does not push them to one side.
	HalfEven Mode = iota
	// HalfAway takes the neighbour further from zero (ISO 80000-1:2022, B.3, rule B; USP General Notices 7.20, from memory). It is the
	// rule for what is compared with a limit of a pharmacopoeia.
	HalfAway
)

// String says the rule in words, as reports print it.
func (m Mode) String() string {
	if m == HalfAway {
		return "half away from zero"
	}
	return "half to even"
}

// Round gives the multiple of step that is nearest to x. step is greater than zero.
func Round(x, step *big.Rat, m Mode) *big.Rat {
	q := new(big.Rat).Quo(x, step)
	neg := q.Sign() < 0
	q.Abs(q)
	whole, rest := new(big.Int).QuoRem(q.Num(), q.Denom(), new(big.Int))
	switch new(big.Int).Lsh(rest, 1).Cmp(q.Denom()) {
	case 1:
		whole.Add(whole, big.NewInt(1))
	case 0:
		if m == HalfAway || whole.Bit(0) == 1 {
			whole.Add(whole, big.NewInt(1))
		}
	}
	if neg {
		whole.Neg(whole)
	}
	return new(big.Rat).Mul(new(big.Rat).SetInt(whole), step)
}

// Text writes x with a number of decimals, 0 to 30, rounded by the rule. There is no minus before a zero.
func Text(x *big.Rat, decimals int, m Mode) string {
	decimals = min(max(decimals, 0), 30)
	step := new(big.Rat).SetFrac(big.NewInt(1), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(decimals)), nil))
	return Round(x, step, m).FloatString(decimals)
}

// Exact writes x in full where its digits end within 40 decimals, and else to 17 significant digits, cut off and with "…" behind.
func Exact(x *big.Rat) string {
	if n, ends := x.FloatPrec(); ends && n <= 40 {
		return x.FloatString(n)
	}
	decimals := 16
	for y := new(big.Rat).Abs(x); y.Sign() > 0 && y.Cmp(big.NewRat(1, 1)) < 0 && decimals < 60; decimals++ {
		y.Mul(y, big.NewRat(10, 1))
	}
	text := x.FloatString(decimals + 1)
	return strings.TrimSuffix(text[:len(text)-1], ".") + "…"
}

// DecimalsFor is how many decimals a result is reported with beside its expanded uncertainty: the uncertainty is given with two
// significant digits, and the result to the same place (JCGM 100:2008, 7.2.6; EA-4/02 M:2022, 6.3). An uncertainty of zero has no
// place, and 30 is the most.
func DecimalsFor(uncertainty *big.Rat) int {
	if uncertainty.Sign() <= 0 {
		return 0
	}
	ten := big.NewRat(10, 1)
	u, n := new(big.Rat).Set(uncertainty), 0
	for u.Cmp(ten) < 0 && n < 30 {
		u.Mul(u, ten)
		n++
	}
	return n
}

// RoundUp gives the least multiple of step that is not below x: for what must not be smaller, such as a minimum weight and an
// uncertainty. step is greater than zero.
func RoundUp(x, step *big.Rat) *big.Rat {
	q := new(big.Rat).Quo(x, step)
	whole := new(big.Int).Div(q.Num(), q.Denom()) // towards minus infinity, as the denominator is positive
	up := new(big.Rat).SetInt(whole)
	if up.Cmp(q) < 0 {
		up.Add(up, big.NewRat(1, 1))
	}
	return up.Mul(up, step)
}
