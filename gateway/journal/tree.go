package journal

import (
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// edge is the right edge of the tree: per level the last complete subtree. It is all that is needed to append to a tree of
// any size and to know its root. An edge is a value: a copy is a trial that can be dropped.
type edge struct {
	size uint64 // leaves in the tree; the last one is the entry with this sequence
	at   [64]tlog.Hash
}

// ReadHashes is tlog's way to ask. Only nodes on the right edge can be had.
func (e *edge) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	hashes := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		level, n := tlog.SplitStoredHashIndex(index)
		if uint64(n)+1 != e.size>>level {
			return nil, fmt.Errorf("tree of %d: node %d of level %d is not on the right edge", e.size, n, level)
		}
		hashes[i] = e.at[level]
	}
	return hashes, nil
}

// add appends one leaf, given its hash, and returns the hashes to be stored with its entry: the leaf's, then those of the
// subtrees that it completed, smallest first.
func (e *edge) add(leaf tlog.Hash) ([]tlog.Hash, error) {
	hashes, err := tlog.StoredHashesForRecordHash(int64(e.size), leaf, e)
	if err != nil {
		return nil, err
	}
	copy(e.at[:], hashes)
	e.size++
	return hashes, nil
}

// root is the tree's hash, RFC 6962 section 2.1.
func (e *edge) root() (tlog.Hash, error) { return tlog.TreeHash(int64(e.size), e) }

// edgeNodes tells for each level that a tree of this size has on its right edge which entry the subtree was completed by.
func edgeNodes(size uint64, each func(level int, seq uint64) error) error {
	for level := 0; size>>level > 0; level++ {
		if err := each(level, size>>level<<level); err != nil {
			return err
		}
	}
	return nil
}

// joinHashes writes hashes one after the other, as they are stored with an entry.
func joinHashes(dst []byte, hashes []tlog.Hash) []byte {
	for i := range hashes {
		dst = append(dst, hashes[i][:]...)
	}
	return dst
}
