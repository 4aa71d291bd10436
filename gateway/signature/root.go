// Package signature is what a signature under a run covers and says, and how anybody finds out whether it still holds. It computes and
// never touches a disk, a clock or a network; who signs, and how they show who they are, is the business of gateway/access.
//
// A signature is an entry of the journal. It holds the statement that was shown, word for word, and the Merkle tree hash of all entries
// that name the run and came before it (Covers). Both are made of these entries' exact bytes and of nothing else, so that a signature
// that was altered, moved to another run or copied, and a run of which an entry was altered, left out, added or moved after it was
// signed, are found by whoever has the entries: no journal, no key and no weighpost of the lab's is needed for that (21 CFR 11.70). That
// the entries are those of the journal is shown by a proof: see gateway/proof.
package signature

import (
	"encoding/hex"

	"golang.org/x/mod/sumdb/tlog"
)

// Root is the Merkle tree hash of entries in their order, as RFC 6962, section 2.1 has it: leaf SHA-256(0x00, entry), node SHA-256(0x01,
// left, right), in hexadecimal after "sha256:". That of no entries is the hash of nothing.
func Root(entries [][]byte) string {
	t := &tree{}
	for i, e := range entries {
		more, err := tlog.StoredHashes(int64(i), e, t)
		if err != nil {
			panic(err) // the tree has every hash that is asked for
		}
		t.hashes = append(t.hashes, more...)
	}
	root, err := tlog.TreeHash(int64(len(entries)), t)
	if err != nil {
		panic(err)
	}
	return "sha256:" + hex.EncodeToString(root[:])
}

// tree holds the hashes of a tree in memory.
type tree struct{ hashes []tlog.Hash }

func (t *tree) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	list := make([]tlog.Hash, len(indexes))
	for i, x := range indexes {
		list[i] = t.hashes[x]
	}
	return list, nil
}
