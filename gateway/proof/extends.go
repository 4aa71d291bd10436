package proof

import (
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// Extends says whether the tree of one checkpoint begins with all of the tree of an earlier one, by a consistency proof
// (RFC 6962 section 2.1.2) that tlog.ProveTree makes. It looks at sizes and roots only; that both are of one journal, and signed,
// is the caller's to know. For equal sizes, and for an earlier one of no entries, the proof is empty.
func Extends(earlier, later Checkpoint, path []tlog.Hash) error {
	switch {
	case earlier.Size > later.Size:
		return fmt.Errorf("%d entries were signed, and there are %d: the last %d are missing", earlier.Size, later.Size, earlier.Size-later.Size)
	case earlier.Size == later.Size && earlier.Root != later.Root:
		return fmt.Errorf("both are of %d entries, and their tree hashes differ: they are not the same entries", earlier.Size)
	case earlier.Size == later.Size || earlier.Size == 0:
		if len(path) != 0 {
			return fmt.Errorf("a proof of %d hashes where none is needed", len(path))
		}
		if empty, err := tlog.TreeHash(0, nil); earlier.Size == 0 && (err != nil || earlier.Root != empty) {
			return fmt.Errorf("the checkpoint of no entries does not have the root of an empty tree")
		}
		return nil
	}
	if err := tlog.CheckTree(path, int64(later.Size), later.Root, int64(earlier.Size), earlier.Root); err != nil {
		return fmt.Errorf("the first %d entries are not those that were signed: the hashes do not lead from one root to the other", earlier.Size)
	}
	return nil
}
