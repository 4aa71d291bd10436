package archive

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
)

// Inclusion shows that an entry is in its journal, as the archive co-signed it.
type Inclusion struct {
	Index  uint64 // of the entry's leaf, from 0
	Leaf   tlog.Hash
	Hashes []tlog.Hash // from the leaf's sibling up to a child of the root
	Size   uint64      // entries that the checkpoint covers
	Root   tlog.Hash
	Note   []byte // the checkpoint with the gateway's signature line and the archive's
	At     time.Time
}

// File is the proof as a file, in the form in which a gateway gives it; its checkpoint has the archive's signature line too. key is the text
// of the gateway's public key.
func (i Inclusion) File(entry []byte, key string) ([]byte, error) {
	return proof.Proof{Entry: entry, Index: i.Index, Hashes: i.Hashes, Checkpoint: i.Note, Key: key}.Marshal()
}

// ErrNotCosigned says that no co-signed checkpoint covers an entry.
var ErrNotCosigned = errors.New("no checkpoint that the archive co-signed covers this entry yet")

// Prove makes the proof of one entry under the newest checkpoint of its journal that the archive co-signed. It is worked out of the rows as
// they are and held against the co-signed root: rows that were changed since give an error, and never a proof.
func (r *Reader) Prove(ctx context.Context, s Stored) (Inclusion, error) {
	tx, err := r.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return Inclusion{}, fmt.Errorf("the archive cannot be asked: %w", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }() // it has only read
	var journal int64
	i := Inclusion{Index: s.Seq - 1, Leaf: tlog.RecordHash(s.JSON)}
	err = tx.QueryRow(ctx, `SELECT c.journal, c.size, c.note, c.at FROM archive.cosignatures c JOIN archive.journals j USING (journal)
		WHERE j.site = $1 AND j.incarnation = $2 AND c.size >= $3 ORDER BY c.size DESC LIMIT 1`, s.Site, s.Incarnation, int64(s.Seq)).
		Scan(&journal, &i.Size, &i.Note, &i.At)
	if errors.Is(err, pgx.ErrNoRows) {
		return Inclusion{}, ErrNotCosigned
	}
	if err != nil {
		return Inclusion{}, fmt.Errorf("the archive cannot be asked: %w", err)
	}
	i.At = i.At.UTC()
	signed, err := proof.Peek(i.Note)
	if err != nil || signed.Size != i.Size {
		return Inclusion{}, fmt.Errorf("the co-signed checkpoint in the database is not as it was written (%v)", err)
	}
	t, err := openTree(ctx, tx, journal)
	if err != nil {
		return Inclusion{}, fmt.Errorf("the tree of the journal cannot be read: %w", err)
	}
	hashes, err := tlog.ProveRecord(int64(i.Size), int64(i.Index), t)
	if err != nil {
		return Inclusion{}, fmt.Errorf("the tree of the journal cannot be read: %w", err)
	}
	i.Hashes, i.Root = hashes, signed.Root
	if err := tlog.CheckRecord(i.Hashes, int64(i.Size), i.Root, int64(i.Index), i.Leaf); err != nil {
		return Inclusion{}, errors.New("what the database holds of this journal does not lead to the root that was co-signed: it was changed since")
	}
	return i, nil
}

// KeyOf gives the text of the configured key that signed a checkpoint; "" where none did, as after the key of a journal was changed.
func (c *Config) KeyOf(signed []byte) string {
	for _, id := range proof.SignedBy(signed) {
		for text, key := range c.keys {
			if proof.KeyID(key) == id {
				return text
			}
		}
	}
	return ""
}
