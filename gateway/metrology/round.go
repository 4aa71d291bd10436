package metrology

import "math/big"

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
	return Round(x, unitOf(decimals), m).FloatString(decimals)
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
	scale := unitOf(-decimals)
	scaled := scale.Mul(scale, x)
	cut := new(big.Int).Quo(scaled.Num(), scaled.Denom()) // towards zero: the digits that stand there are the number's own
	return new(big.Rat).Mul(new(big.Rat).SetInt(cut), unitOf(decimals)).FloatString(decimals) + "…"
}

// DecimalsFor is how many decimals a result is reported with beside its expanded uncertainty: the uncertainty is given with two
// significant digits, rounded up, and the result to the same place (JCGM 100:2008, 7.2.6; EA-4/02 M:2022, 6.3). An uncertainty of zero
// has no place, and 30 is the most.
func DecimalsFor(uncertainty *big.Rat) int { return max(0, secondPlace(uncertainty, RoundUp)) }

// Uncertainty writes an expanded uncertainty with two significant digits, rounded up so that it never says less (JCGM 100:2008, 7.2.6,
// allows that). 0.0991 is 0.10: what rounding carries over has two digits too, and not three.
func Uncertainty(u *big.Rat) string { return twoDigits(u, RoundUp) }

// TwoDigits writes a number above zero with two significant digits, rounded half to even.
func TwoDigits(x *big.Rat) string { return twoDigits(x, halfEven) }

func halfEven(x, step *big.Rat) *big.Rat { return Round(x, step, HalfEven) }

func twoDigits(x *big.Rat, round func(x, step *big.Rat) *big.Rat) string {
	n := secondPlace(x, round)
	return round(x, unitOf(n)).FloatString(max(0, n))
}

// secondPlace is the decimal in which the second significant digit of a number stands once it is rounded: 3 for 0.012, −1 for 120. Zero
// has none; it is between −30 and 30.
func secondPlace(x *big.Rat, round func(x, step *big.Rat) *big.Rat) int {
	if x.Sign() <= 0 {
		return 0
	}
	n := 30
	for n > -30 && round(x, unitOf(n)).Cmp(new(big.Rat).Mul(unitOf(n), hundred)) >= 0 {
		n--
	}
	return n
}

// unitOf is 10⁻ⁿ.
func unitOf(n int) *big.Rat {
	power := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(n, -n))), nil)
	if n < 0 {
		return new(big.Rat).SetInt(power)
	}
	return new(big.Rat).SetFrac(big.NewInt(1), power)
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
