package journal

import (
	"errors"
	"fmt"

	"github.com/ncruces/go-sqlite3"
)

// store is the writing connection with its statements. Only the writer's goroutine uses it.
type store struct {
	db                                                         *sqlite3.Conn
	begin, commit                                              *sqlite3.Stmt
	last, insert, number, cursor, park, parked, unparked, sign *sqlite3.Stmt
	walPages                                                   int // in the WAL since it was last emptied
}

func openStore(d disk, name, synchronous string) (*store, error) {
	db, err := openWriter(d, name, synchronous)
	if err != nil {
		return nil, err
	}
	s := &store{db: db}
	db.WALHook(func(_ *sqlite3.Conn, _ string, pages int) error {
		s.walPages = pages
		return nil
	})
	return s, nil
}

// prepare compiles the statements, once the tables are there.
func (s *store) prepare() error {
	for _, x := range []struct {
		stmt **sqlite3.Stmt
		sql  string
	}{
		{&s.begin, beginSQL},
		{&s.commit, commitSQL},
		{&s.last, "SELECT coalesce(max(seq), 0) FROM entries"},
		{&s.insert, "INSERT INTO entries(seq, json, hashes) VALUES(?, ?, ?)"},
		{&s.number, "INSERT OR REPLACE INTO numbers(balance, last) VALUES(?, ?)"},
		{&s.cursor, "INSERT OR REPLACE INTO cursors(name, seq) VALUES(?, ?)"},
		{&s.park, "INSERT OR REPLACE INTO parked(cursor, seq, notice) VALUES(?, ?, ?)"},
		{&s.parked, "SELECT notice FROM parked WHERE cursor = ? AND seq = ?"},
		{&s.unparked, "DELETE FROM parked WHERE cursor = ? AND seq = ?"},
		{&s.sign, "INSERT OR REPLACE INTO checkpoints(seq, note) VALUES(?, ?)"},
	} {
		stmt, _, err := s.db.PrepareFlags(x.sql, sqlite3.PREPARE_PERSISTENT)
		if err != nil {
			return err
		}
		*x.stmt = stmt
	}
	return nil
}

// transact is transact with statements at hand.
func (s *store) transact(f func() error) error {
	return transactBy(s.db, s.begin.Exec, f, s.commit.Exec)
}

// endsWith says whether journal.db ends with an entry, as it did when that was committed. It may not, where somebody else writes
// it, or where the kernel lost a page of the index of the WAL: going on would put the next commit over the last ones.
func (s *store) endsWith(seq uint64) error {
	have := uint64(0)
	if s.last.Step() {
		have = uint64(s.last.ColumnInt64(0))
	}
	if err := errors.Join(s.last.Err(), s.last.Reset()); err != nil {
		return err
	}
	if have != seq {
		return fmt.Errorf("journal.db ends with entry %d, and entry %d is the last that was recorded", have, seq)
	}
	return nil
}

func (s *store) putEntry(seq uint64, json, hashes []byte) error {
	return errors.Join(s.insert.BindInt64(1, int64(seq)), s.insert.BindBlob(2, json), s.insert.BindBlob(3, hashes), s.insert.Exec())
}

func (s *store) putNumber(balance string, last uint64) error {
	return errors.Join(s.number.BindText(1, balance), s.number.BindInt64(2, int64(last)), s.number.Exec())
}

func (s *store) putCursor(name string, seq uint64) error {
	return errors.Join(s.cursor.BindText(1, name), s.cursor.BindInt64(2, int64(seq)), s.cursor.Exec())
}

func (s *store) putParked(cursor string, seq, notice uint64) error {
	return errors.Join(s.park.BindText(1, cursor), s.park.BindInt64(2, int64(seq)), s.park.BindInt64(3, int64(notice)), s.park.Exec())
}

// dropParked forgets which entries after a sequence are parked. That is rare, so it has no statement at hand.
func (s *store) dropParked(cursor string, after uint64) error {
	stmt, _, err := s.db.Prepare("DELETE FROM parked WHERE cursor = ? AND seq > ?")
	if err != nil {
		return err
	}
	defer stmt.Close()
	return errors.Join(stmt.BindText(1, cursor), stmt.BindInt64(2, int64(after)), stmt.Exec())
}

func (s *store) putCheckpoint(seq uint64, note []byte) error {
	return errors.Join(s.sign.BindInt64(1, int64(seq)), s.sign.BindBlob(2, note), s.sign.Exec())
}

// fold copies the WAL back into journal.db. Readers are not waited for, or, when everything must be copied, for a moment
// only: done says that nothing is left. The WAL's file is kept, because writing into a file that need not grow is faster;
// when everything must be copied it is emptied.
func (s *store) fold(everything bool) (done bool, err error) {
	mode := sqlite3.CHECKPOINT_PASSIVE
	if everything {
		mode = sqlite3.CHECKPOINT_TRUNCATE
		if err := s.db.BusyTimeout(foldPatience); err != nil {
			return false, err
		}
		defer s.db.BusyTimeout(busyTimeout)
	}
	pages, copied, err := s.db.WALCheckpoint("", mode)
	if errors.Is(err, sqlite3.BUSY) {
		return false, nil
	}
	done = err == nil && copied == pages
	if done {
		s.walPages = 0
	}
	return done, err
}

func (s *store) close() error {
	if s == nil || s.db == nil {
		return nil
	}
	var errs []error
	for _, stmt := range []*sqlite3.Stmt{s.begin, s.commit, s.last, s.insert, s.number, s.cursor, s.park, s.parked, s.unparked, s.sign} {
		if stmt != nil {
			_ = stmt.Close() // repeats the error of its last run, which was handled then
		}
	}
	errs = append(errs, s.db.Close())
	s.db = nil
	return errors.Join(errs...)
}
