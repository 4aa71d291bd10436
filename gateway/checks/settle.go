package checks

import (
	"math/big"
	"time"

	"weighpost/gateway/record"
)

// How a reading came, which decides when it counts as settled.
const (
	Streamed = "stream"    // the balance sends all the time
	Polled   = "poll"      // it was asked for its weight
	PrintKey = "print key" // somebody pressed its print key
)

// Reading is what the balance shows, as it was read.
type Reading struct {
	At    time.Time // on a clock that only goes forward
	Grams *big.Rat
	Value record.Value
	Frame []byte
	How   string
}

func (r Reading) flagged(stability string) bool { return r.Value.Stability == stability }

// settler finds when readings have come to rest. A reading that the balance itself flags as unstable never counts. A print by its key is
// settled by itself: the balance, or the person, waited. Of a stream, and of answers to polls, as many in a row as the definition says
// have to agree within so many d over a time; one less is enough where all of them are flagged stable, and two of polled answers.
type settler struct {
	rule Settle
	d    *big.Rat // grams
	run  []Reading
}

// feed takes the next reading, and says how it was known to be settled, or "".
func (s *settler) feed(r Reading) string {
	if r.flagged("unstable") {
		s.run = s.run[:0]
		return ""
	}
	if r.How == PrintKey {
		s.run = s.run[:0]
		return PrintKey
	}
	s.run = append(s.run, r)
	band := new(big.Rat).Mul(s.d, big.NewRat(int64(s.rule.WithinD), 1))
	low, high, from := r.Grams, r.Grams, len(s.run)-1
	for from > 0 {
		next := s.run[from-1].Grams
		if next.Cmp(low) < 0 {
			low = next
		}
		if next.Cmp(high) > 0 {
			high = next
		}
		if new(big.Rat).Sub(high, low).Cmp(band) > 0 {
			break
		}
		from--
	}
	s.run = s.run[from:]
	if most := 2048; len(s.run) > most {
		s.run = s.run[len(s.run)-most:]
	}
	return s.rest()
}

// rest says whether the run is long enough, and by what.
func (s *settler) rest() string {
	last := s.run[len(s.run)-1]
	need, by := s.rule.Frames, "stream"
	if last.How == Polled {
		need, by = 2, "answers to polls"
	}
	stable := true
	for _, r := range s.run {
		stable = stable && r.flagged("stable")
	}
	if stable {
		need, by = max(need-1, 1), "flag"
	}
	if len(s.run) < need {
		return ""
	}
	if last.How != Polled && last.At.Sub(s.run[0].At) < s.rule.For.D() {
		return ""
	}
	return by
}

func (s *settler) reset() { s.run = s.run[:0] }
