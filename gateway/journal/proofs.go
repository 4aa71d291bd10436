package journal

import (
	"context"
	"errors"
	"fmt"
	"math/bits"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// Proofs reads from a journal, closed or being written, entries and what shows others that they are in it: signed checkpoints, keys, and
// the hashes of the tree as they are stored. It writes nothing, and is for one goroutine.
type Proofs struct {
	dir, segments string
	db            *sqlite3.Conn
	sealed        *sealed
}

// OpenProofs opens a journal to be shown to others. segments is another folder in which sealed segments are looked for that the
// journal's own folder lacks; "": none. Close it.
func OpenProofs(dir, segments string) (*Proofs, error) {
	dir = folder(dir)
	open := openLook
	if held(dir) {
		open = openReader
	}
	db, err := open(osDisk{}, in(dir, dbName))
	if err != nil {
		return nil, fmt.Errorf("the journal in %s cannot be read: %w", dir, err)
	}
	return &Proofs{dir, segments, db, newSealed(osDisk{}, dir, db, segments)}, nil
}

// Close lets go of the journal.
func (p *Proofs) Close() error {
	p.sealed.close()
	return p.db.Close()
}

// Covering gives the oldest signed checkpoint that covers the first so many entries; nil: none does yet.
func (p *Proofs) Covering(entries uint64) (note []byte, err error) {
	return note, p.notes("SELECT note FROM checkpoints WHERE seq >= ? ORDER BY seq LIMIT 1", []int64{int64(entries)},
		func(n []byte) error { note = n; return nil })
}

// Checkpoints hands over every signed checkpoint of up to so many entries, the oldest first.
func (p *Proofs) Checkpoints(entries uint64, each func(note []byte) error) error {
	const some = 500 // a read transaction is short
	for after, n := int64(0), some; n == some; {
		n = 0
		var list [][]byte
		err := query(p.db, "SELECT seq, note FROM checkpoints WHERE seq > ? AND seq <= ? ORDER BY seq LIMIT ?", []int64{after, int64(entries), some},
			func(row *sqlite3.Stmt) error {
				n, after = n+1, row.ColumnInt64(0)
				list = append(list, row.ColumnBlob(1, nil))
				return nil
			})
		if err != nil {
			return fmt.Errorf("the checkpoints of the journal in %s cannot be read: %w", p.dir, err)
		}
		for _, note := range list {
			if err := each(note); err != nil {
				return err
			}
		}
	}
	return nil
}

func (p *Proofs) notes(sql string, args []int64, each func([]byte) error) error {
	if err := query(p.db, sql, args, func(row *sqlite3.Stmt) error { return each(row.ColumnBlob(0, nil)) }); err != nil {
		return fmt.Errorf("the checkpoints of the journal in %s cannot be read: %w", p.dir, err)
	}
	return nil
}

// Keys gives the text of the public key that signs checkpoints of so many entries, and the signed notes by which keys vouched for the next
// one, from the first key, or from the last that nobody vouched for.
func (p *Proofs) Keys(ctx context.Context, entries uint64) (key string, vouched [][]byte, err error) {
	return (&prover{ctx: ctx, dir: p.dir, segments: p.segments, db: p.db}).keys(entries)
}

// Hash is that of the tree over the leaves lo to hi, from 0 and without hi, as RFC 6962 section 2.1 divides a tree: lo is a multiple of the
// smallest power of two that is not less than hi - lo.
func (p *Proofs) Hash(lo, hi uint64) (h tlog.Hash, err error) {
	n := hi - lo
	if n&(n-1) == 0 {
		level := bits.TrailingZeros64(n)
		hashes, err := storedTree{p.db}.ReadHashes([]int64{tlog.StoredHashIndex(level, int64(lo>>level))})
		if err != nil {
			return h, fmt.Errorf("the journal in %s does not agree with itself: %w. Run: weighpost journal verify", p.dir, err)
		}
		return hashes[0], nil
	}
	k := uint64(1) << (bits.Len64(n-1) - 1)
	left, err := p.Hash(lo, lo+k)
	if err != nil {
		return h, err
	}
	right, err := p.Hash(lo+k, hi)
	return tlog.NodeHash(left, right), err
}

// Each hands over the entries first to last, both included, in order. It ends with an error where one of them cannot be had: without it
// nothing shows that what is handed over is whole.
func (p *Proofs) Each(ctx context.Context, first, last uint64, each func(record.Entry) error) error {
	if last < first {
		return nil
	}
	next := first
	x := &scan{ctx: ctx, dir: p.dir, db: p.db, sealed: p.sealed, after: first - 1, each: func(e record.Entry) error {
		if e.Seq != next {
			return fmt.Errorf("the journal in %s has no entry %d: %d follows %d. Run: weighpost journal verify", p.dir, next, e.Seq, next-1)
		}
		next++
		if err := each(e); err != nil {
			return err
		}
		if e.Seq == last {
			return errFound
		}
		return nil
	}}
	for {
		more, err := x.chunk()
		switch lost := x.incomplete(); {
		case errors.Is(err, errFound) && lost == nil:
			return nil
		case err != nil || lost != nil:
			return errors.Join(err, lost)
		case !more:
			return fmt.Errorf("the journal in %s ends with entry %d, and %d is wanted", p.dir, next-1, last)
		}
	}
}
