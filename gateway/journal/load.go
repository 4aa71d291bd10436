package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// checkedAtStart is how many of the last entries a start reads and hashes again. The older ones are Verify's.
const checkedAtStart = 1000

// Damaged says that a journal's files are not as they were written. Nothing was changed.
type Damaged struct {
	Dir  string
	What string // what is wrong and where
}

func (d *Damaged) Error() string {
	return fmt.Sprintf("the journal in %s is refused: %s. Nothing was changed. Keep this folder as it is for whoever looks "+
		"into it, and restore the newest backup into a new one", d.Dir, d.What)
}

// state is what the writer knows of its journal, all of it in the files too.
type state struct {
	incarnation string
	origin      string
	edge        edge              // its size is the sequence of the last entry
	numbers     map[string]uint64 // balance → number last given
	cursors     map[string]uint64
	signed      uint64 // entries covered by the last checkpoint
	note        []byte // that checkpoint
}

// inspect reads the journal in a folder, checks it against its head, and leaves no trace. It also gives the head, and the
// version of journal.db.
func inspect(ctx context.Context, d disk, dir string, newest int) (state, headState, int, error) {
	damaged := func(format string, args ...any) (state, headState, int, error) {
		return state{}, headState{}, 0, &Damaged{dir, fmt.Sprintf(format, args...)}
	}
	file, err := d.ReadFile(in(dir, headName))
	if errors.Is(err, fs.ErrNotExist) {
		return damaged("its file head, which says how long journal.db must be, is missing")
	}
	if err != nil {
		return state{}, headState{}, 0, err
	}
	head, err := decodeHead(file)
	if err != nil {
		return damaged("its file head is damaged: %v", err)
	}
	db, err := openLook(d, in(dir, dbName))
	if err != nil {
		return damaged("journal.db cannot be read: %v", err)
	}
	defer db.Close()
	v, err := version(db)
	if err != nil {
		return damaged("journal.db cannot be read: %v", err)
	}
	if v > newest {
		return state{}, head, v, fmt.Errorf("the journal in %s was written by a newer weighpost (version %d; this one knows up "+
			"to %d). Nothing was changed. Start that newer weighpost again", dir, v, newest)
	}
	s, err := load(db)
	if err == nil {
		err = query(db, foreignObjects, nil, func(row *sqlite3.Stmt) error {
			return fmt.Errorf("journal.db holds a %s %q that weighpost did not make", row.ColumnText(0), row.ColumnText(1))
		})
	}
	if err == nil {
		err = checkHead(db, s, head)
	}
	if err == nil {
		err = checkLast(ctx, db, s)
	}
	if ctx.Err() != nil {
		return state{}, head, v, ctx.Err()
	}
	if err != nil {
		return damaged("%v", err)
	}
	return s, head, v, nil
}

// load reads the state out of journal.db.
func load(db *sqlite3.Conn) (state, error) {
	s := state{numbers: map[string]uint64{}, cursors: map[string]uint64{}}
	meta := map[string]string{}
	read := func(sql string, each func(row *sqlite3.Stmt)) error {
		err := query(db, sql, nil, func(row *sqlite3.Stmt) error { each(row); return nil })
		if err != nil {
			return fmt.Errorf("journal.db cannot be read: %w", err)
		}
		return nil
	}
	var last uint64
	first := int64(1)
	err := errors.Join(
		read("SELECT name, value FROM meta", func(row *sqlite3.Stmt) { meta[row.ColumnText(0)] = row.ColumnText(1) }),
		read("SELECT coalesce(max(seq), 0) FROM entries", func(row *sqlite3.Stmt) { last = uint64(row.ColumnInt64(0)) }),
		read("SELECT coalesce(min(seq), 1) FROM entries", func(row *sqlite3.Stmt) { first = row.ColumnInt64(0) }),
		read("SELECT balance, last FROM numbers", func(row *sqlite3.Stmt) {
			s.numbers[row.ColumnText(0)] = uint64(row.ColumnInt64(1))
		}),
		read("SELECT name, seq FROM cursors", func(row *sqlite3.Stmt) {
			s.cursors[row.ColumnText(0)] = uint64(row.ColumnInt64(1))
		}),
		read("SELECT seq, note FROM checkpoints ORDER BY seq DESC LIMIT 1", func(row *sqlite3.Stmt) {
			s.signed, s.note = uint64(row.ColumnInt64(0)), row.ColumnBlob(1, nil)
		}),
	)
	if err != nil {
		return state{}, err
	}
	if first != 1 {
		return state{}, fmt.Errorf("journal.db begins with entry %d, not 1", first)
	}
	s.incarnation, s.origin = meta["incarnation"], meta["origin"]
	if s.incarnation == "" || s.origin == "" {
		return state{}, fmt.Errorf("journal.db does not say which incarnation it is")
	}
	s.edge, err = loadEdge(db, last)
	return s, err
}

// loadEdge reads the right edge of the tree of this size from the hashes stored with the entries.
func loadEdge(db *sqlite3.Conn, size uint64) (edge, error) {
	e := edge{size: size}
	err := edgeNodes(size, func(level int, seq uint64) error {
		found := false
		err := query(db, "SELECT hashes FROM entries WHERE seq = ?", []int64{int64(seq)}, func(row *sqlite3.Stmt) error {
			stored := row.ColumnRawBlob(0)
			if off := level * tlog.HashSize; len(stored) >= off+tlog.HashSize {
				copy(e.at[level][:], stored[off:])
				found = true
			}
			return nil
		})
		if err == nil && !found {
			err = fmt.Errorf("entry %d or its hashes are missing", seq)
		}
		return err
	})
	return e, err
}

// checkHead holds the journal against what was last acknowledged.
func checkHead(db *sqlite3.Conn, s state, head headState) error {
	switch {
	case head.incarnation != s.incarnation:
		return fmt.Errorf("its file head belongs to another journal (incarnation %s, journal.db is %s)", head.incarnation, s.incarnation)
	case s.edge.size < head.seq:
		return fmt.Errorf("entries are missing: %d were acknowledged, and journal.db ends with entry %d. Its end was cut off, "+
			"its WAL (journal.db-wal) was lost or damaged, or an older copy was put back", head.seq, s.edge.size)
	}
	at, err := loadEdge(db, head.seq)
	if err != nil {
		return err
	}
	root, err := at.root()
	if err != nil {
		return err
	}
	if root != head.root {
		return fmt.Errorf("the first %d entries are not those that were acknowledged: their tree hash is %v, and the file head "+
			"says %v", head.seq, root, head.root)
	}
	return nil
}

// checkLast hashes the last entries again, from the edge before them, and holds their identities against each other.
func checkLast(ctx context.Context, db *sqlite3.Conn, s state) error {
	last := s.edge.size
	first := uint64(1)
	if last > checkedAtStart {
		first = last - checkedAtStart + 1
	}
	at, err := loadEdge(db, first-1)
	if err != nil {
		return err
	}
	seq, ids := first, newIdentities()
	err = query(db, "SELECT seq, json, hashes FROM entries WHERE seq >= ? ORDER BY seq", []int64{int64(first)}, func(row *sqlite3.Stmt) error {
		if got := uint64(row.ColumnInt64(0)); got != seq {
			return fmt.Errorf("entry %d is missing", seq)
		}
		if err := checkRow(&at, row.ColumnRawBlob(1), row.ColumnRawBlob(2)); err != nil {
			return fmt.Errorf("entry %d: %w", seq, err)
		}
		if fault := ids.check(seq, row.ColumnBlob(1, nil)); fault != "" {
			return fmt.Errorf("entry %d: %s", seq, fault)
		}
		seq++
		return ctx.Err()
	})
	switch {
	case err != nil:
		return err
	case seq != last+1:
		return fmt.Errorf("entries after %d are missing", seq-1)
	case at != s.edge:
		return fmt.Errorf("the hashes stored with entries before %d were altered", first)
	}
	return ids.checkNumbers(s.incarnation, s.numbers, first > 1)
}

// checkRow hashes one entry again and compares with what is stored beside it.
func checkRow(at *edge, raw, stored []byte) error {
	hashes, err := at.add(tlog.RecordHash(raw))
	if err != nil {
		return err
	}
	switch want := joinHashes(nil, hashes); {
	case len(stored) < tlog.HashSize || !bytes.Equal(stored[:tlog.HashSize], want[:tlog.HashSize]):
		return fmt.Errorf("its bytes are not those that were recorded (leaf hash differs)")
	case !bytes.Equal(stored, want):
		return fmt.Errorf("the tree hashes stored with it were altered")
	}
	return nil
}

// identities holds ids and numbers of consecutive entries against each other.
type identities struct {
	last map[[2]string]uint64 // incarnation, balance → number
	full bool                 // from the first entry on: numbers begin with 1
}

func newIdentities() *identities { return &identities{last: map[[2]string]uint64{}} }

// check says what is wrong with the identity of an entry, or "".
func (x *identities) check(seq uint64, raw []byte) string {
	e, err := record.ParseEntry(raw)
	if err != nil {
		return err.Error()
	}
	if e.Seq != seq {
		return fmt.Sprintf("it says that it is entry %d", e.Seq)
	}
	part := strings.Split(e.ID, "/")
	if len(part) != 4 {
		return fmt.Sprintf("its id %q has not the form site/incarnation/balance/number", e.ID)
	}
	if !e.Kind.Numbered() {
		if e.ID != record.EntryID(part[0], part[1], "", seq) {
			return fmt.Sprintf("its id %q does not belong to this position", e.ID)
		}
		return ""
	}
	k := [2]string{part[1], part[2]}
	before, known := x.last[k]
	var n uint64
	if _, err := fmt.Sscanf(part[3], "%d", &n); err != nil || n == 0 || part[2] != e.Balance ||
		e.ID != record.EntryID(part[0], part[1], part[2], n) {
		return fmt.Sprintf("its id %q is not that of a weighing of balance %q", e.ID, e.Balance)
	}
	x.last[k] = n
	if known && n != before+1 || !known && x.full && n != 1 {
		return fmt.Sprintf("number %d of balance %s follows %d", n, k[1], before)
	}
	return ""
}

// checkNumbers holds the table of numbers against the entries. After a partial reading there may be balances unseen.
func (x *identities) checkNumbers(incarnation string, table map[string]uint64, partial bool) error {
	for k, n := range x.last {
		if k[0] == incarnation && table[k[1]] != n {
			return fmt.Errorf("the table of numbers says %d for balance %s, and its last entry has %d", table[k[1]], k[1], n)
		}
	}
	for balance, n := range table {
		if _, seen := x.last[[2]string{incarnation, balance}]; !seen && !partial {
			return fmt.Errorf("the table of numbers says %d for balance %s, which has no entry", n, balance)
		}
	}
	return nil
}
