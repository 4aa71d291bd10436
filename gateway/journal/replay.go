package journal

import "golang.org/x/mod/sumdb/tlog"

// replay builds the tree again, entry by entry, and goes on after a fault: where a hash cannot be computed because an entry
// is missing or altered, the stored one is taken from there on, so that one fault is not reported at every node above it.
type replay struct {
	size  uint64
	at    [64]tlog.Hash // last complete subtree of each level
	known [64]bool
}

// add appends a leaf. stored are the hashes kept with the entry, or nil where it is missing. It returns the level of the
// lowest stored hash that does not follow from those before, or -1.
func (t *replay) add(leaf tlog.Hash, leafKnown bool, stored []tlog.Hash) int {
	bad := -1
	h, known := leaf, leafKnown
	for level := 0; ; level++ {
		if level < len(stored) {
			if known && h != stored[level] && bad < 0 {
				bad = level
			}
			h, known = stored[level], true
		}
		left, leftKnown := t.at[level], t.known[level]
		t.at[level], t.known[level] = h, known
		if t.size>>level&1 == 0 {
			break
		}
		h, known = tlog.NodeHash(left, h), known && leftKnown
	}
	t.size++
	return bad
}

// root is the tree's hash, if every entry below it was there.
func (t *replay) root() (tlog.Hash, bool) {
	var h tlog.Hash
	found := false
	for level := range t.at {
		if t.size>>level&1 == 0 {
			continue
		}
		if !t.known[level] {
			return h, false
		}
		if found {
			h = tlog.NodeHash(t.at[level], h)
		} else {
			h, found = t.at[level], true
		}
	}
	if !found {
		empty, err := tlog.TreeHash(0, nil)
		return empty, err == nil
	}
	return h, true
}

// splitHashes is the inverse of joinHashes. What is left over is not a hash, and makes it fail.
func splitHashes(dst []tlog.Hash, stored []byte) ([]tlog.Hash, bool) {
	for len(stored) >= tlog.HashSize {
		dst, stored = append(dst, tlog.Hash(stored[:tlog.HashSize])), stored[tlog.HashSize:]
	}
	return dst, len(stored) == 0
}
