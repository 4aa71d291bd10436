package learntest

import "math/rand/v2"

// dice is the source of everything random, one for the design and one for each session, so that the same seed designs the
// same balance whatever is put on it.
type dice struct{ *rand.Rand }

func newDice(seed, purpose uint64) dice { return dice{rand.New(rand.NewPCG(seed, purpose))} }

// in says yes n times in a hundred.
func (d dice) in100(n int) bool { return d.IntN(100) < n }

// between gives a number from low to high, both included.
func (d dice) between(low, high int) int { return low + d.IntN(high-low+1) }

// one picks one of several, each as likely as the next.
func one[T any](d dice, of ...T) T { return of[d.IntN(len(of))] }

// share is a choice with its weight among others.
type share[T any] struct {
	weight int
	what   T
}

// shared picks by weight.
func shared[T any](d dice, of []share[T]) T {
	total := 0
	for _, s := range of {
		total += s.weight
	}
	n := d.IntN(total)
	for _, s := range of {
		if n -= s.weight; n < 0 {
			return s.what
		}
	}
	panic("learntest: shares without a sum")
}
