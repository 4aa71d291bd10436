package metrology

import (
	"fmt"
	"math/big"
)

// Where counting by mass comes from. A count by mass is a result and no weighing: nobody saw the pieces.
var (
	CountByMass = Source{Name: "Steiner, MacKay: Scale Counting (University of Waterloo)", Clause: "1: total mass over the mean mass of a piece"}
	SampleSize  = Source{Name: "Doane, Seward: Applied Statistics in Business and Economics, 5th edition", Clause: "sample size for a mean: n = (z·s/E)²"}
	CountError  = Source{Name: "JCGM 100:2008", Clause: "5.1.2, applied to net mass over mean mass of a piece"}
)

// PieceMass is the mean mass of a piece in grams, from the mass in grams of pieces that were counted by hand. Source: CountByMass.
func PieceMass(mass, pieces *big.Rat) (*big.Rat, error) {
	if !pieces.IsInt() || pieces.Sign() <= 0 {
		return nil, fmt.Errorf("%s is no number of pieces counted by hand", Exact(pieces))
	}
	if mass.Sign() <= 0 {
		return nil, fmt.Errorf("the mass of the counted pieces has to be greater than zero")
	}
	return new(big.Rat).Quo(mass, pieces), nil
}

// Counted is how many pieces a net mass is.
type Counted struct {
	Pieces *big.Rat // the nearest whole number
	Exact  *big.Rat // net mass over mean mass
	Off    *big.Rat // Exact less Pieces: from −1/2 to 1/2
}

// Pieces counts by mass: the net mass over the mean mass of a piece, both in grams. It is refused where the quotient is further from a whole
// number than a limit, in pieces, greater than zero and below a half: then the pieces are not alike, or something else lies with them.
// Being near a whole number is no proof that the count is right: see MostPieces. Source: CountByMass.
func Pieces(net, piece, limit *big.Rat) (c Counted, err error) {
	switch {
	case piece.Sign() <= 0 || net.Sign() < 0:
		return c, fmt.Errorf("the mass of a piece has to be greater than zero, and the net mass is not negative")
	case limit.Sign() <= 0 || limit.Cmp(big.NewRat(1, 2)) >= 0:
		return c, fmt.Errorf("a limit of %s pieces says nothing: it is greater than 0 and less than 0.5", Exact(limit))
	}
	c.Exact = new(big.Rat).Quo(net, piece)
	c.Pieces = Round(c.Exact, one, HalfEven)
	c.Off = new(big.Rat).Sub(c.Exact, c.Pieces)
	if new(big.Rat).Abs(c.Off).Cmp(limit) > 0 {
		return c, fmt.Errorf("%s g are %s pieces of %s g, and that is not near a whole number: count by hand, or count a larger sample for the mass of a piece",
			Exact(net), Text(c.Exact, 2, HalfEven), Exact(piece))
	}
	return c, nil
}

// MinimumSample is how many pieces are counted by hand so that their mean mass is within a relative error, in per cent, of that of all: the
// whole number not below (k·cv/error)², with the coefficient of variation of single pieces in per cent, and k 1.96 for 95 %. Source:
// SampleSize.
func MinimumSample(cv, relativeError, k *big.Rat) (*big.Rat, error) {
	if cv.Sign() < 0 || relativeError.Sign() <= 0 || k.Sign() <= 0 {
		return nil, fmt.Errorf("a coefficient of variation is not negative, and an error and its factor are greater than zero")
	}
	n := new(big.Rat).Mul(k, cv)
	n.Quo(n, relativeError)
	n.Mul(n, n)
	return Max(RoundUp(n, one), new(big.Rat).Set(one)), nil
}

// countVariance is that of a count of pieces by a sample of pieces, squared pieces: cv²·(N + N²/n), for cv as a fraction.
func countVariance(pieces, sample, cv *big.Rat) *big.Rat {
	share := new(big.Rat).Quo(cv, hundred)
	share.Mul(share, share)
	v := new(big.Rat).Mul(pieces, pieces)
	v.Quo(v, sample)
	v.Add(v, pieces)
	return v.Mul(v, share)
}

// CountSD is the standard deviation of a count by mass, in pieces, that comes from the spread of the pieces alone: cv·√(N + N²/n), for N
// pieces, a sample of n counted by hand and the coefficient of variation of single pieces in per cent. What the balance adds is not in it.
// Source: CountError.
func CountSD(pieces, sample, cv *big.Rat) (*big.Rat, error) {
	if pieces.Sign() < 0 || sample.Sign() <= 0 || cv.Sign() < 0 {
		return nil, fmt.Errorf("pieces and a coefficient of variation are not negative, and a sample is greater than zero")
	}
	return Sqrt(countVariance(pieces, sample, cv))
}

// mostPieces is beyond what anybody counts by mass; it bounds the search.
const mostPieces = 1_000_000_000

// MostPieces is the greatest number of pieces that a sample lets count to the very piece: the greatest N with k·CountSD(N) at most half a
// piece, for k 2 or 3. Where pieces are all alike (cv 0) there is no such number, and it is refused. Source: CountError.
func MostPieces(sample, cv, k *big.Rat) (*big.Rat, error) {
	if sample.Sign() <= 0 || cv.Sign() <= 0 || k.Sign() <= 0 {
		return nil, fmt.Errorf("a sample, a coefficient of variation and its factor have to be greater than zero")
	}
	fits := func(n int64) bool {
		v := countVariance(big.NewRat(n, 1), sample, cv)
		v.Mul(v, new(big.Rat).Mul(k, k))
		return v.Cmp(big.NewRat(1, 4)) <= 0
	}
	low, high := int64(0), int64(mostPieces) // the variance grows with N
	for low < high {
		middle := (low + high + 1) / 2
		if fits(middle) {
			low = middle
		} else {
			high = middle - 1
		}
	}
	return big.NewRat(low, 1), nil
}
