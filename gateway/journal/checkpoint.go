package journal

import (
	"context"

	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
)

// Checkpoint signs the head, if it moved since the last checkpoint, and gives the newest signed note with the number of
// entries that it covers. The note is in the journal when it is given. Errors are those of Append.
func (j *Journal) Checkpoint(ctx context.Context) (seq uint64, signedNote []byte, err error) {
	a, err := j.ask(ctx, &request{sign: true})
	return a.seq, a.note, err
}

// signHead signs the root of a tree.
func signHead(signer note.Signer, origin string, at *edge) ([]byte, error) {
	root, err := at.root()
	if err != nil {
		return nil, err
	}
	return proof.Checkpoint{Origin: origin, Size: at.size, Root: root}.Sign(signer)
}
