package journal

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

// Checkpoint signs the head, if it moved since the last checkpoint, and gives the newest signed note with the number of
// entries that it covers. The note is in the journal when it is given. Errors are those of Append.
func (j *Journal) Checkpoint(ctx context.Context) (seq uint64, signedNote []byte, err error) {
	a, err := j.ask(ctx, &request{sign: true})
	return a.seq, a.note, err
}

// signHead writes a checkpoint as C2SP tlog-checkpoint has it: origin, number of leaves, base64 of the root, a line each,
// then an empty line and the signature.
func signHead(signer note.Signer, origin string, at *edge) ([]byte, error) {
	root, err := at.root()
	if err != nil {
		return nil, err
	}
	return note.Sign(&note.Note{Text: fmt.Sprintf("%s\n%d\n%s\n", origin, at.size, root)}, signer)
}

// parseCheckpoint reads the text of a checkpoint, and only exactly what signHead writes.
func parseCheckpoint(text string) (origin string, size uint64, root tlog.Hash, err error) {
	line := strings.Split(text, "\n")
	if len(line) != 4 || line[0] == "" || line[3] != "" {
		return "", 0, root, fmt.Errorf("a checkpoint has three lines: origin, size, root")
	}
	size, err = strconv.ParseUint(line[1], 10, 63)
	if err != nil || line[1] != strconv.FormatUint(size, 10) {
		return "", 0, root, fmt.Errorf("%q is no size of a tree", line[1])
	}
	hash, err := base64.StdEncoding.Strict().DecodeString(line[2])
	if err != nil || len(hash) != tlog.HashSize {
		return "", 0, root, fmt.Errorf("%q is no tree hash", line[2])
	}
	copy(root[:], hash)
	return line[0], size, root, nil
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
