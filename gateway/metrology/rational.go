package metrology

import (
	"fmt"
	"math/big"
)

// Digits is how many significant digits a square root has at least.
const Digits = 45

// Sum adds.
func Sum(x []*big.Rat) *big.Rat {
	sum := new(big.Rat)
	for _, v := range x {
		sum.Add(sum, v)
	}
	return sum
}

// Mean is the arithmetic mean, exact. Nothing has no mean.
func Mean(x []*big.Rat) (*big.Rat, error) {
	if len(x) == 0 {
		return nil, fmt.Errorf("there is no value to take the mean of")
	}
	return new(big.Rat).Quo(Sum(x), big.NewRat(int64(len(x)), 1)), nil
}

// Variance is the experimental variance: the squared differences from the mean over n − 1, exact (JCGM 100:2008, 4.2.2). It takes
// two values or more.
func Variance(x []*big.Rat) (*big.Rat, error) {
	if len(x) < 2 {
		return nil, fmt.Errorf("a standard deviation takes two values or more, and there are %d", len(x))
	}
	mean, err := Mean(x)
	if err != nil {
		return nil, err
	}
	sum := new(big.Rat)
	for _, v := range x {
		d := new(big.Rat).Sub(v, mean)
		sum.Add(sum, d.Mul(d, d))
	}
	return sum.Quo(sum, big.NewRat(int64(len(x)-1), 1)), nil
}

// SD is the experimental standard deviation, with n − 1 (JCGM 100:2008, 4.2.2), good to Digits significant digits.
func SD(x []*big.Rat) (*big.Rat, error) {
	v, err := Variance(x)
	if err != nil {
		return nil, err
	}
	return Sqrt(v)
}

// Lag1 is the autocorrelation of a series with itself one step later, exact: near +1 a drift, near 0 chance. A series that never
// changes has none.
func Lag1(x []*big.Rat) (*big.Rat, error) {
	mean, err := Mean(x)
	if err != nil {
		return nil, err
	}
	above, below := new(big.Rat), new(big.Rat)
	var last *big.Rat
	for _, v := range x {
		d := new(big.Rat).Sub(v, mean)
		below.Add(below, new(big.Rat).Mul(d, d))
		if last != nil {
			above.Add(above, new(big.Rat).Mul(d, last))
		}
		last = d
	}
	if below.Sign() == 0 {
		return nil, fmt.Errorf("all %d values are equal: there is nothing to correlate", len(x))
	}
	return above.Quo(above, below), nil
}

// Sqrt is the square root: exact where it is a fraction, else cut off after Digits significant digits or more.
func Sqrt(x *big.Rat) (*big.Rat, error) {
	switch x.Sign() {
	case -1:
		return nil, fmt.Errorf("%s has no square root", x.FloatString(6))
	case 0:
		return new(big.Rat), nil
	}
	num, den := new(big.Int).Sqrt(x.Num()), new(big.Int).Sqrt(x.Denom())
	if new(big.Int).Mul(num, num).Cmp(x.Num()) == 0 && new(big.Int).Mul(den, den).Cmp(x.Denom()) == 0 {
		return new(big.Rat).SetFrac(num, den), nil
	}
	// √(a/b) = ⌊√(a·s²/b)⌋ / s, with s a power of ten so large that the whole number has the digits.
	places := int64(Digits + max(0, (x.Denom().BitLen()-x.Num().BitLen())/6+1))
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(places), nil)
	whole := new(big.Int).Mul(x.Num(), new(big.Int).Mul(scale, scale))
	whole.Sqrt(whole.Quo(whole, x.Denom()))
	return new(big.Rat).SetFrac(whole, scale), nil
}

// Max gives the greater of two.
func Max(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) >= 0 {
		return a
	}
	return b
}

func rat(s string) *big.Rat {
	r, ok := new(big.Rat).SetString(s)
	if !ok {
		panic("metrology: " + s + " is no number") // a constant of this package
	}
	return r
}
