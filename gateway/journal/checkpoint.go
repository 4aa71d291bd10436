package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"

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

// readKey reads the key that signs.
func readKey(d disk, dir string) (note.Signer, error) {
	text, err := d.ReadFile(in(dir, keyName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("the journal in %s has lost its key file %q, which signs its checkpoints. Nothing was changed. "+
			"Put the file back from a backup", dir, keyName)
	}
	if err != nil {
		return nil, fmt.Errorf("the key of the journal in %s cannot be read: %w", dir, err)
	}
	signer, err := note.NewSigner(strings.TrimSpace(string(text)))
	if err != nil {
		return nil, fmt.Errorf("the file %q of the journal in %s holds no signing key (%w). Nothing was changed. Put the file "+
			"back from a backup", keyName, dir, err)
	}
	return signer, nil
}
