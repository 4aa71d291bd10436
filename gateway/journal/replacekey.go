package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

const replaceKeyCommand = "weighpost journal replace-key --config FILE --reason TEXT --by NAME --confirmed-by NAME"

// LostKeyOrder is what two people say of a signing key that is lost.
type LostKeyOrder struct {
	By, ConfirmedBy record.Actor // each by an ID of their own
	Reason          string       // how it was lost
	Stamp           record.Stamp
}

// errKeyThere is why a key that is there is not replaced as if it were lost.
var errKeyThere = errors.New("its signing key is there and is the right one: nothing is lost, and nothing was changed. A key that is there is " +
	"changed so that it vouches for the next one")

// ReplaceLostKey makes a new signing key for a journal that has lost its own and that nobody has open. The entry that says so is
// signed for by no key: it names two people instead, and every report of Verify tells of it. A key that is there is refused,
// but for one of a restore that no second person has confirmed yet. It returns the text of the new public key.
func ReplaceLostKey(ctx context.Context, o Options, l LostKeyOrder) (public string, err error) {
	if err := checkLoss(l.By, l.ConfirmedBy, l.Reason); err != nil {
		return "", err
	}
	o.lost, o.Existing = &l, true
	j, err := Open(ctx, o)
	if err != nil {
		return "", err
	}
	public = j.PublicKey()
	return public, j.Close()
}

// replaceKey puts a new key in force. there says that the one before is on the disk and is the right one.
func (w *writer) replaceKey(l *LostKeyOrder, there bool) error {
	o, old := &w.j.o, w.state.key
	if there && !w.unconfirmed() {
		return errKeyThere
	}
	if old == "" { // an older weighpost did not note it
		text, err := o.disk.ReadFile(in(o.Dir, pubName))
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
		if old = strings.TrimSpace(string(text)); old == "" {
			return fmt.Errorf("the public key is lost too: put %s back from wherever a copy of it is kept", pubName)
		}
		if err := putMeta(w.store.db, keyRow(0), old); err != nil {
			return explain(err)
		}
		w.state.key = old
	}
	next, err := newSignKey(w.state.origin)
	if err != nil {
		return err
	}
	body, err := LostKey(old, next.public, l.By, l.ConfirmedBy, l.Reason, l.Stamp)
	if err != nil {
		return err
	}
	d := newDraft(&w.state, o.Site)
	if _, err := d.add([]record.Body{body}); err != nil {
		return err
	}
	if err := w.keepWrongKey(there, d.edge.size); err != nil {
		return err
	}
	if err := w.handOver(d, next, func() error { return nil }, func(*state) {}); err != nil {
		return explain(err)
	}
	o.Log.Warn("the signing key was lost, and another one signs from here on", "dir", o.Dir, "key", next.id(), "by", l.By.ID, "confirmed_by", l.ConfirmedBy.ID)
	return nil
}

// keepWrongKey gives a file that is in the place of the key, and is not the key, another name: nobody knows what it is good for.
func (w *writer) keepWrongKey(there bool, seq uint64) error {
	d, dir := w.j.o.disk, w.j.o.Dir
	if found, err := d.Exists(in(dir, keyName)); err != nil || !found || there {
		return err
	}
	return errors.Join(d.Rename(in(dir, keyName), in(dir, fmt.Sprintf("%s.before-%d", keyName, seq))), d.SyncDir(dir))
}

// unconfirmed says whether the key in force took the place of a lost one, and no second person has confirmed that.
func (w *writer) unconfirmed() bool {
	var r record.KeyRotated
	err := query(w.store.db, "SELECT json FROM entries WHERE seq = ?", []int64{int64(w.state.keyFrom)}, func(row *sqlite3.Stmt) error {
		return json.Unmarshal(row.ColumnBlob(0, nil), &r)
	})
	return err == nil && r.Cause == record.KeyLost && r.ConfirmedBy == nil
}
