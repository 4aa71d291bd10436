package index

import (
	"encoding/binary"
	"errors"
	"math/bits"
	"slices"
)

// errCorrupt says that index.db does not hold what was written into it. The index is then made anew.
var errCorrupt = errors.New("index.db is damaged")

// set is a set of entries of one block, by their place in it.
type set []uint64

func newSet(n int) set { return make(set, (n+63)/64) }

// fill puts the first n places into the set.
func (s set) fill(n int) {
	for i := range s {
		s[i] = ^uint64(0)
	}
	if n%64 != 0 {
		s[len(s)-1] = 1<<(n%64) - 1
	}
}

func (s set) add(i int)  { s[i/64] |= 1 << (i % 64) }
func (s set) drop(i int) { s[i/64] &^= 1 << (i % 64) }

// and keeps what is in both, and says whether anything is.
func (s set) and(other set) bool {
	any := uint64(0)
	for i := range s {
		s[i] &= other[i]
		any |= s[i]
	}
	return any != 0
}

func (s set) count() int {
	n := 0
	for _, w := range s {
		n += bits.OnesCount64(w)
	}
	return n
}

// each calls f for every place in the set, upwards or downwards, until it says no.
func (s set) each(down bool, f func(i int) bool) {
	for k := range s {
		if down {
			k = len(s) - 1 - k
		}
		for w := s[k]; w != 0; {
			b := bits.TrailingZeros64(w)
			if down {
				b = 63 - bits.LeadingZeros64(w)
			}
			if !f(k*64 + b) {
				return
			}
			w &^= 1 << b
		}
	}
}

// The forms of a posting: its first byte.
const (
	formAll  = 0 // every entry of the block
	formGaps = 1 // the distances from one place to the next, from -1, as varints
	formBits = 2 // a bit for each entry of the block, the lowest first
)

// appendPosting writes the ascending places at which a term stands in a block of n entries.
func appendPosting(b []byte, places []uint16, n int) []byte {
	if len(places) == n {
		return append(b, formAll)
	}
	start := len(b)
	b = append(b, formGaps)
	last := -1
	for _, p := range places {
		b = binary.AppendUvarint(b, uint64(int(p)-last))
		last = int(p)
	}
	if len(b)-start <= 1+(n+7)/8 {
		return b
	}
	b = append(b[:start], formBits)
	b = append(b, make([]byte, (n+7)/8)...)
	for _, p := range places {
		b[start+1+int(p)/8] |= 1 << (p % 8)
	}
	return b
}

// orPosting adds the places of a posting to a set of n entries.
func orPosting(s set, b []byte, n int) error {
	if len(b) == 0 {
		return errCorrupt
	}
	form, b := b[0], b[1:]
	switch form {
	case formAll:
		s.fill(n)
		return nil
	case formBits:
		if len(b) != (n+7)/8 {
			return errCorrupt
		}
		for i, c := range b {
			s[i/8] |= uint64(c) << (i % 8 * 8)
		}
		return nil
	case formGaps:
		for place := -1; len(b) > 0; {
			gap, size := binary.Uvarint(b)
			if size <= 0 || gap == 0 || gap > uint64(n-1-place) {
				return errCorrupt
			}
			place += int(gap)
			s.add(place)
			b = b[size:]
		}
		return nil
	}
	return errCorrupt
}

// reach gives the earliest and the latest of times.
func reach(times []int64) (earliest, latest int64) { return slices.Min(times), slices.Max(times) }
