package export

import (
	"golang.org/x/mod/sumdb/tlog"
)

// tree is the root of a growing tree (RFC 6962 section 2.1), from nothing but its leaves: the complete subtrees that it
// consists of, the largest first, one for each bit that is set in its size.
type tree struct {
	size uint64
	part []tlog.Hash
}

func (t *tree) add(leaf tlog.Hash) {
	for n := t.size; n&1 == 1; n >>= 1 {
		last := len(t.part) - 1
		leaf = tlog.NodeHash(t.part[last], leaf)
		t.part = t.part[:last]
	}
	t.part = append(t.part, leaf)
	t.size++
}

// root is the hash of all of it; of an empty tree it means nothing.
func (t *tree) root() (h tlog.Hash) {
	for i := len(t.part) - 1; i >= 0; i-- {
		if i == len(t.part)-1 {
			h = t.part[i]
			continue
		}
		h = tlog.NodeHash(t.part[i], h)
	}
	return h
}
