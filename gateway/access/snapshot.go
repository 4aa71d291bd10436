package access

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"weighpost/gateway/record"
)

const (
	snapshotName = "people.json"
	snapshotForm = 1
	mostSnapshot = 64 << 20 // bytes
	chunk        = 512      // entries read at once
)

// entriesAtOnce is how many entries a start reads before anything else; it takes less than a second.
var entriesAtOnce uint64 = 100_000

// snapshot is the file that saves a start from reading the whole journal. It can be deleted at any time. It counts only where
// the journal still has the entry that it ends with, byte for byte; otherwise the journal is read from its beginning.
type snapshot struct {
	Form  int             `json:"form"`
	Entry string          `json:"entry"` // sha256: of the entry that it stands for; "" at sequence 0
	Sum   string          `json:"sum"`   // sha256: of State
	State json.RawMessage `json:"state"`
}

func sum(b []byte) string {
	s := sha256.Sum256(b)
	return "sha256:" + hex.EncodeToString(s[:])
}

// entryAt gives what identifies the entry of a sequence.
func entryAt(ctx context.Context, log Log, seq uint64) (string, error) {
	if seq == 0 {
		return "", nil
	}
	entries, err := log.Read(ctx, seq-1, 1)
	if err != nil {
		return "", err
	}
	if len(entries) != 1 || entries[0].Seq != seq {
		return "", fmt.Errorf("the journal has no entry %d", seq)
	}
	return sum(entries[0].JSON), nil
}

// readSnapshot gives the state that the file holds, or why it is of no use. fs.ErrNotExist: there is none.
func readSnapshot(ctx context.Context, dir string, log Log) (*state, error) {
	f, err := os.Open(filepath.Join(dir, snapshotName))
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, mostSnapshot+1))
	if err != nil {
		return nil, err
	}
	var file snapshot
	if len(b) > mostSnapshot || json.Unmarshal(b, &file) != nil || sum(file.State) != file.Sum {
		return nil, errors.New("it is cut off or damaged")
	}
	if file.Form != snapshotForm {
		return nil, fmt.Errorf("it has the form %d, and this program writes %d", file.Form, snapshotForm)
	}
	s := newState()
	if err := json.Unmarshal(file.State, s); err != nil {
		return nil, errors.New("it is damaged")
	}
	if s.Seq > log.Head() {
		return nil, fmt.Errorf("it stands for entry %d, and the journal ends with %d", s.Seq, log.Head())
	}
	entry, err := entryAt(ctx, log, s.Seq)
	if err != nil {
		return nil, err
	}
	if entry != file.Entry {
		return nil, errors.New("it belongs to another journal")
	}
	if !s.within(s.Seq) { // a later entry may be missing here, or another: only what the journal says gives rights
		return nil, errors.New("it knows of entries behind the one that it stands for")
	}
	return s, nil
}

// within says whether nothing in the state is later than an entry.
func (s *state) within(head uint64) bool {
	for _, a := range s.People {
		if a == nil || a.Seq > head {
			return false
		}
	}
	for _, k := range s.Keys {
		if k == nil || k.Seq > head {
			return false
		}
	}
	return s.Open != nil && s.People != nil && s.Keys != nil
}

// writeSnapshot puts a state into the file, in the place of the one before. It need not survive a power cut: a file that is cut
// is found out and not used.
func writeSnapshot(ctx context.Context, dir string, log Log, s *state) error {
	entry, err := entryAt(ctx, log, s.Seq)
	if err != nil {
		return err
	}
	b, err := json.Marshal(s)
	if err != nil {
		return err
	}
	text, err := json.Marshal(snapshot{Form: snapshotForm, Entry: entry, Sum: sum(b), State: b})
	if err != nil {
		return err
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	return replaceFile(root, snapshotName, text)
}

// replaceFile writes a file of 0600 beside its place and moves it there.
func replaceFile(root *os.Root, name string, text []byte) error {
	beside := name + ".new"
	if err := root.Remove(beside); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := root.OpenFile(beside, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, bytes.NewReader(text))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return root.Rename(beside, name)
}

// follow takes the entries that the journal has behind the state.
func (s *state) follow(ctx context.Context, log Log) error {
	for {
		entries, err := log.Read(ctx, s.Seq, chunk)
		if err != nil {
			return fmt.Errorf("what the journal says of people cannot be read: %w", err)
		}
		if len(entries) == 0 {
			return nil
		}
		if err := s.takeAll(entries); err != nil {
			return err
		}
	}
}

func (s *state) takeAll(entries []record.Entry) error {
	for _, e := range entries {
		if err := s.take(e); err != nil {
			return err
		}
		s.Seq = e.Seq
	}
	return nil
}
