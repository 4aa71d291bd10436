package journal

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/proof"
	"weighpost/gateway/record"
)

// ProveOptions says how a proof is made.
type ProveOptions struct {
	// Stamped takes the first checkpoint with an outside time-stamp that covers the entry, with that time-stamp, in place of the
	// newest checkpoint.
	Stamped bool
	// First takes the first checkpoint that covers the entry in place of the newest: the proof is the same each time.
	First bool
	// Segments is another folder in which sealed segments are looked for that the journal's own folder lacks; "": none.
	Segments string
	// Progress is told how many entries were looked at for the one that is wanted, of a total that is not known: 0. It may be nil.
	Progress func(done, total uint64)
}

// Prove makes the proof of one entry of a journal, closed or being written: that it is in the newest checkpoint. id is the id of
// the entry, or its sequence. Nothing is written. The proof was verified, with the journal's own key, when it is given.
func Prove(ctx context.Context, dir, id string, o ProveOptions) (proof.Proof, error) {
	e, err := Find(ctx, dir, id, o.Segments, o.Progress)
	if err != nil {
		return proof.Proof{}, err
	}
	p, err := newProver(ctx, dir, e, o)
	if err != nil {
		return proof.Proof{}, err
	}
	defer p.db.Close()
	return p.prove()
}

// newProver makes what proves one entry. Whoever has it closes its db.
func newProver(ctx context.Context, dir string, e record.Entry, o ProveOptions) (*prover, error) {
	p := &prover{ctx: ctx, dir: folder(dir), segments: o.Segments, entry: e, order: "DESC"}
	if o.First {
		p.order = "ASC"
	}
	if o.Stamped {
		if err := p.stamped(); err != nil {
			return nil, err
		}
	}
	open := openLook
	if held(p.dir) {
		open = openReader
	}
	var err error
	if p.db, err = open(osDisk{}, in(p.dir, dbName)); err != nil {
		return nil, fmt.Errorf("the journal in %s cannot be read: %w", p.dir, err)
	}
	return p, nil
}

// prover makes one proof.
type prover struct {
	ctx      context.Context // of the one call
	dir      string
	segments string
	db       *sqlite3.Conn
	entry    record.Entry
	note     []byte // the checkpoint to prove against; nil: the newest that covers the entry, or with the order ASC the first
	order    string
	token    []byte // the time-stamp over it
}

// stamped looks for the first time-stamp over a checkpoint that covers the entry.
func (p *prover) stamped() error {
	err := ScanWith(p.ctx, p.dir, p.segments, p.entry.Seq, func(e record.Entry) error {
		if e.Kind != record.KindTimestamped {
			return nil
		}
		var t record.Timestamped
		if err := json.Unmarshal(e.JSON, &t); err != nil || t.Size < p.entry.Seq {
			return nil
		}
		p.note, p.token = []byte(t.Checkpoint), t.Token
		return errFound
	})
	if err == nil {
		return fmt.Errorf("no outside time-stamp covers entry %d: prove it without one, or when the next time-stamp has come", p.entry.Seq)
	}
	if errors.Is(err, errFound) {
		return nil
	}
	return err
}

func (p *prover) prove() (proof.Proof, error) {
	none := proof.Proof{}
	seq := p.entry.Seq
	if p.note == nil {
		err := query(p.db, "SELECT note FROM checkpoints WHERE seq >= ? ORDER BY seq "+p.order+" LIMIT 1", []int64{int64(seq)},
			func(row *sqlite3.Stmt) error { p.note = row.ColumnBlob(0, nil); return nil })
		if err != nil {
			return none, fmt.Errorf("the checkpoints of the journal in %s cannot be read: %w", p.dir, err)
		}
	}
	if p.note == nil {
		return none, fmt.Errorf("no checkpoint covers entry %d yet: while weighpost runs it signs one within a minute, and it signs one "+
			"when it ends; try again then", seq)
	}
	disagrees := func(err error) (proof.Proof, error) { return none, p.disagrees(seq, err) }
	c, err := proof.Peek(p.note)
	if err != nil {
		return disagrees(err)
	}
	out := proof.Proof{Entry: p.entry.JSON, Index: seq - 1, Checkpoint: p.note, TimeStamp: p.token}
	if out.Hashes, err = tlog.ProveRecord(int64(c.Size), int64(seq-1), storedTree{p.db}); err != nil {
		return disagrees(err)
	}
	if out.Key, out.Vouched, err = p.keys(c.Size); err != nil {
		return disagrees(err)
	}
	key, err := proof.ParseKey(out.Key)
	if err == nil {
		_, err = out.Verify(key)
	}
	if err != nil {
		return disagrees(err)
	}
	return out, nil
}

func (p *prover) disagrees(seq uint64, err error) error {
	return fmt.Errorf("entry %d cannot be proved, because the journal in %s does not agree with itself: %w. Run: weighpost "+
		"journal verify", seq, p.dir, err)
}

// keys gives the key that signs checkpoints of so many entries, and what led to it from the first key, or from the last that
// nobody vouched for.
func (p *prover) keys(size uint64) (key string, vouched [][]byte, err error) {
	rows, err := keyRows(p.db, size)
	if err != nil {
		return "", nil, err
	}
	if len(rows) == 0 {
		text, err := osDisk{}.ReadFile(in(p.dir, pubName))
		return strings.TrimSpace(string(text)), nil, err
	}
	for _, from := range slices.Sorted(maps.Keys(rows)) {
		if key = rows[from]; from == 0 {
			continue
		}
		var k record.KeyRotated
		err := ScanWith(p.ctx, p.dir, p.segments, from-1, func(e record.Entry) error {
			if err := json.Unmarshal(e.JSON, &k); err != nil || e.Kind != record.KindKeyRotated || k.NewKey != key {
				return fmt.Errorf("entry %d does not put the key in force that journal.db names", e.Seq)
			}
			return errFound
		})
		if !errors.Is(err, errFound) {
			return "", nil, errors.Join(err, fmt.Errorf("entry %d, which changes the key, is not there", from))
		}
		if k.Note == "" {
			vouched = nil // the key before was lost: nothing leads past here
			continue
		}
		vouched = append(vouched, []byte(k.Note))
	}
	return key, vouched, nil
}

// storedTree reads the hashes of the tree as they are stored with the entries: those of a subtree with the entry that
// completed it.
type storedTree struct{ db *sqlite3.Conn }

// ReadHashes is tlog's way to ask.
func (s storedTree) ReadHashes(indexes []int64) ([]tlog.Hash, error) {
	hashes := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		level, n := tlog.SplitStoredHashIndex(index)
		found := false
		err := query(s.db, "SELECT substr(hashes, ?, ?) FROM entries WHERE seq = ?",
			[]int64{int64(level)*tlog.HashSize + 1, tlog.HashSize, (n + 1) << level}, func(row *sqlite3.Stmt) error {
				found = copy(hashes[i][:], row.ColumnRawBlob(0)) == tlog.HashSize
				return nil
			})
		if err != nil {
			return nil, err
		}
		if !found {
			return nil, fmt.Errorf("the tree hash that belongs to entry %d is not there", (n+1)<<level)
		}
	}
	return hashes, nil
}
