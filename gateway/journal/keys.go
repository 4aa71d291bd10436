package journal

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/note"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// keyPrefix begins the names in the table meta that say which public key is in force from which entry on; key/0 is the
// first. They say nothing that the entries do not; verify holds the two against each other.
const keyPrefix = "key/"

func keyRow(from uint64) string { return keyPrefix + strconv.FormatUint(from, 10) }

// parseKeyRow is the inverse of keyRow.
func parseKeyRow(name string) (from uint64, ok bool) {
	text, found := strings.CutPrefix(name, keyPrefix)
	from, err := strconv.ParseUint(text, 10, 63)
	return from, found && err == nil && keyRow(from) == name
}

// keyRows reads which public key is in force from which entry on, as journal.db has it, as far as an entry.
func keyRows(db *sqlite3.Conn, last uint64) (map[uint64]string, error) {
	keys := map[uint64]string{}
	err := query(db, "SELECT name, value FROM meta", nil, func(row *sqlite3.Stmt) error {
		if from, ok := parseKeyRow(row.ColumnText(0)); ok && from <= last {
			keys[from] = row.ColumnText(1)
		}
		return nil
	})
	return keys, err
}

// rotateOrder puts another key in force with the entry key-rotated that is among the bodies of the same request.
type rotateOrder struct{ key signKey }

// Rotation says who changes the key, and why.
type Rotation struct {
	By     record.Actor
	Reason string // needed
	Stamp  record.Stamp
}

// RotateKey makes a new key, lets the old one sign for it, records that, and signs all further checkpoints with the new one.
// A cut at any moment leaves a journal that opens with the key that its last entry says. Errors are those of Append; one that
// wraps ErrKeyFiles says that the change is recorded and holds, and that the files of the key wait for the next start.
func (j *Journal) RotateKey(ctx context.Context, r Rotation) (record.Entry, error) {
	if strings.TrimSpace(r.Reason) == "" {
		return record.Entry{}, errors.New("a change of the key needs a reason: say why it is changed")
	}
	j.rotating.Lock()
	defer j.rotating.Unlock()
	// Everything before is signed by the old key, as long as that is here.
	if _, _, err := j.Checkpoint(ctx); err != nil {
		return record.Entry{}, err
	}
	old := j.keyInForce()
	next, err := newSignKey(old.Name())
	if err != nil {
		return record.Entry{}, fmt.Errorf("a new key cannot be made: %w", err)
	}
	body, err := VouchedKey(old.Signer, old.public, next.public, record.KeyRotatedByHand)
	if err != nil {
		return record.Entry{}, err
	}
	body.By, body.Reason, body.Stamp = r.By, r.Reason, r.Stamp
	a, err := j.ask(ctx, &request{bodies: []record.Body{body}, rotate: &rotateOrder{next}, sign: true})
	if len(a.entries) == 0 {
		return record.Entry{}, err
	}
	return a.entries[0], err
}

// ErrKeyFiles says that a changed key is in force, and that its files could not be put in their place.
var ErrKeyFiles = errors.New("the key was changed, and its files could not be moved to their place; the next start does that. " +
	"Until then back up " + nextKeyName + " as well")

// VouchedKey makes the body of an entry by which one key hands over to the next. oldKey and newKey are the texts of the public
// keys; the name of the new one is the origin of the checkpoints from there on. The caller fills in who, why and when.
func VouchedKey(old note.Signer, oldKey, newKey, cause string) (*record.KeyRotated, error) {
	next, err := proof.ParseKey(newKey)
	if err != nil {
		return nil, err
	}
	signed, err := proof.Vouch(old, newKey)
	if err != nil {
		return nil, err
	}
	return &record.KeyRotated{Origin: next.Name(), OldKey: oldKey, NewKey: newKey, Note: string(signed), Cause: cause}, nil
}

// LostKey makes the body of the entry by which two people say that the old key is lost, and that another is in force. It is
// refused where both are the same person, where one has no name, or without a reason.
func LostKey(oldKey, newKey string, by, confirmedBy record.Actor, reason string, at record.Stamp) (*record.KeyRotated, error) {
	if err := checkLoss(by, confirmedBy, reason); err != nil {
		return nil, err
	}
	next, err := proof.ParseKey(newKey)
	if err != nil {
		return nil, err
	}
	return &record.KeyRotated{Origin: next.Name(), OldKey: oldKey, NewKey: newKey, Cause: record.KeyLost, By: by,
		ConfirmedBy: &confirmedBy, Reason: reason, Stamp: at}, nil
}

func checkLoss(by, confirmedBy record.Actor, reason string) error {
	switch {
	case by.ID == "" || confirmedBy.ID == "" || by.ID == confirmedBy.ID:
		return errors.New("that a key is lost has to be said by two people, each by a name of their own")
	case strings.TrimSpace(reason) == "":
		return errors.New("that a key is lost needs a reason: say how it was lost")
	}
	return nil
}

// PublicKey is the text of the key that signs now.
func (j *Journal) PublicKey() string { return j.keyInForce().public }

func (j *Journal) keyInForce() signKey {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.key
}

func (j *Journal) setKey(k signKey) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.key = k
}

// stageKeys puts the keys that are asked for on the disk. A request whose key cannot be put there is answered at once, and the
// others go on.
func (w *writer) stageKeys(reqs []*request) []*request {
	kept := reqs[:0:0]
	for _, r := range reqs {
		if r.rotate != nil {
			if err := stageKey(w.j.o.disk, w.j.o.Dir, r.rotate.key); err != nil {
				r.done <- answer{err: fmt.Errorf("the new key cannot be written, and the old one stays in force: %w", err)}
				continue
			}
		}
		kept = append(kept, r)
	}
	return kept
}

// rotate notes in the draft which key is in force from which of its entries on.
func (d *draft) rotate(o *rotateOrder, entries []record.Entry) {
	for _, e := range entries {
		if e.Kind == record.KindKeyRotated {
			d.key, d.keyFrom = &o.key, e.Seq
		}
	}
}

// putKeys writes which key is in force.
func (w *writer) putKeys(d *draft) error {
	if d.key == nil {
		return nil
	}
	db := w.store.db
	if w.state.key == "" { // made by a weighpost that did not note the first
		if err := putMeta(db, keyRow(0), w.j.keyInForce().public); err != nil {
			return err
		}
	}
	return putMeta(db, keyRow(d.keyFrom), d.key.public)
}

// takeKey puts the new key in force after the commit that says so.
func (w *writer) takeKey(d *draft) error {
	if d.key == nil {
		return nil
	}
	w.j.setKey(*d.key)
	w.state.key, w.state.keyFrom = d.key.public, d.keyFrom
	if err := swapKey(w.j.o.disk, w.j.o.Dir, d.key.public); err != nil {
		w.j.o.Log.Error("the key was changed, and its files could not be moved to their place", "dir", w.j.o.Dir, "error", err)
		return fmt.Errorf("%w: %w", ErrKeyFiles, err)
	}
	return nil
}
