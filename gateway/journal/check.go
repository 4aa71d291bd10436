package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"

	"weighpost/gateway/record"
)

// checkHead holds the journal against what was last acknowledged.
func checkHead(db *sqlite3.Conn, s state, head headState) error {
	switch {
	case head.incarnation != s.incarnation && !followsHead(db, s, head):
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

// followsHead says whether the head is of the life before, and the life that follows began with the next entry: then the
// beginning was cut short before the head was written.
func followsHead(db *sqlite3.Conn, s state, head headState) bool {
	var r record.Restored
	err := query(db, "SELECT json FROM entries WHERE seq = ?", []int64{int64(head.seq + 1)}, func(row *sqlite3.Stmt) error {
		e, err := record.ParseEntry(row.ColumnBlob(0, nil))
		if err == nil && e.Kind == record.KindRestored {
			r, err = readRestored(e)
		}
		return err
	})
	return err == nil && r.Incarnation == s.incarnation && r.Predecessor.Incarnation == head.incarnation
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
			return &entryFault{seq, fmt.Sprintf("entry %d is missing", seq)}
		}
		if err := checkRow(&at, row.ColumnRawBlob(1), row.ColumnRawBlob(2)); err != nil {
			return &entryFault{seq, fmt.Sprintf("entry %d: %v", seq, err)}
		}
		if _, fault := ids.check(seq, row.ColumnBlob(1, nil)); fault != "" {
			return &entryFault{seq, fmt.Sprintf("entry %d: %s", seq, fault)}
		}
		seq++
		return ctx.Err()
	})
	var known *entryFault
	switch {
	case ctx.Err() != nil || errors.As(err, &known):
		return err
	case err != nil:
		return &entryFault{seq, fmt.Sprintf("entry %d cannot be read: journal.db is damaged there (%v)", seq, err)}
	case seq != last+1:
		return fmt.Errorf("entries after %d are missing", seq-1)
	case at != s.edge:
		return fmt.Errorf("the hashes stored with entries before %d were altered", first)
	}
	return ids.checkNumbers(s.incarnation, s.numbers, first > 1)
}

// entryFault is what is wrong with one entry.
type entryFault struct {
	seq  uint64
	text string
}

func (e *entryFault) Error() string { return e.text }

// inWords says what SQLite means by a file that is none of its own.
func inWords(err error) error {
	if errors.Is(err, sqlite3.NOTADB) {
		return errors.New("it is no database: something else was put in its place, or its first page is destroyed")
	}
	return err
}

// placed adds where it lies.
func placed(err error, d disk, dir string, db *sqlite3.Conn) error {
	var f *entryFault
	if errors.As(err, &f) {
		if where := locate(d, dir, db, f.seq); where != "" {
			return fmt.Errorf("%w (%s)", err, where)
		}
	}
	return err
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
