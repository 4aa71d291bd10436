package journal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/ncruces/go-sqlite3"
)

// sealOrder has a segment noted in the commit of the entry that tells of it.
type sealOrder struct{ segment Segment }

// dropOrder takes the bytes of some sealed entries out of journal.db.
type dropOrder struct{ first, from, to uint64 } // the segment's first entry; the entries, both included

// dropBatch is how many entries lose their bytes in one commit, and dropPause how long the disk is left to those who record
// before the next: 256 entries of a kilobyte are a commit of about 300 kB.
const (
	dropBatch = 256
	dropPause = 20 * time.Millisecond
)

// putSegment notes a segment, of which no entry is dropped yet.
func (s *store) putSegment(x Segment) error {
	members, err := indexJSON(x)
	if err != nil {
		return err
	}
	stmt, _, err := s.db.Prepare("INSERT INTO segments(first, last, sealed, dropped, file, members) VALUES(?, ?, ?, ?, ?, ?)")
	if err != nil {
		return err
	}
	defer stmt.Close()
	return errors.Join(stmt.BindInt64(1, int64(x.First)), stmt.BindInt64(2, int64(x.Last)), stmt.BindInt64(3, int64(x.Sealed)),
		stmt.BindInt64(4, int64(x.First-1)), stmt.BindText(5, x.File), stmt.BindBlob(6, members), stmt.Exec())
}

// drop takes the bytes of entries out of journal.db and leaves their hashes. The rows are written anew: rows that only become
// shorter in their place leave their pages as they are, half empty and of no use to what comes.
func (s *store) drop(o dropOrder) error {
	type row struct {
		seq    int64
		hashes []byte
	}
	var rows []row
	span := []int64{int64(o.from), int64(o.to)}
	err := query(s.db, "SELECT seq, hashes FROM entries WHERE seq BETWEEN ? AND ? ORDER BY seq", span, func(r *sqlite3.Stmt) error {
		rows = append(rows, row{r.ColumnInt64(0), r.ColumnBlob(1, nil)})
		return nil
	})
	if err != nil {
		return err
	}
	if uint64(len(rows)) != o.to-o.from+1 {
		return fmt.Errorf("%d of the sealed entries %d to %d are in journal.db", len(rows), o.from, o.to)
	}
	if err := s.exec("DELETE FROM entries WHERE seq BETWEEN ? AND ?", span...); err != nil {
		return err
	}
	for _, r := range rows {
		if err := s.putEntry(uint64(r.seq), []byte{}, r.hashes); err != nil {
			return err
		}
	}
	return s.exec("UPDATE segments SET dropped = ? WHERE first = ? AND dropped < ?", int64(o.to), int64(o.first), int64(o.to))
}

// exec runs a statement that is rare.
func (s *store) exec(sql string, args ...int64) error {
	return query(s.db, sql, args, func(*sqlite3.Stmt) error { return nil })
}

// dropSegment takes the bytes of a segment's entries out of journal.db, in small commits between those of everybody else. It
// goes on where it was cut short.
func (j *Journal) dropSegment(ctx context.Context, s Segment, progress func(done uint64)) error {
	for from := s.Dropped + 1; from <= s.Last; from += dropBatch {
		to := min(s.Last, from+dropBatch-1)
		if _, err := j.ask(ctx, &request{drop: &dropOrder{s.First, from, to}}); err != nil {
			return err
		}
		progress(to - s.First + 1)
		select {
		case <-time.After(dropPause):
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}
