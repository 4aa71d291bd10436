package bundle

import (
	"math/bits"

	"golang.org/x/mod/sumdb/tlog"
)

// walk goes once over a tree from left to right, and computes its root from the leaves that are in a bundle and the hashes of all that
// lies between them.
type walk struct {
	next   uint64 // the next leaf that is in the bundle, from 0; the tree's size or more: none
	leaf   func() (h tlog.Hash, next uint64, err error)
	beside func(lo, hi uint64) (tlog.Hash, error)
}

// hash is that of the leaves lo to hi, without hi, which are a subtree as RFC 6962 section 2.1 divides a tree. hi > lo.
func (w *walk) hash(lo, hi uint64) (h tlog.Hash, err error) {
	switch n := hi - lo; {
	case w.next >= hi:
		return w.beside(lo, hi)
	case n == 1:
		h, w.next, err = w.leaf()
		return h, err
	default:
		k := uint64(1) << (bits.Len64(n-1) - 1) // the largest power of two smaller than n
		left, err := w.hash(lo, lo+k)
		if err != nil {
			return h, err
		}
		right, err := w.hash(lo+k, hi)
		return tlog.NodeHash(left, right), err
	}
}
