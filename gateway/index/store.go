package index

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/ncruces/go-sqlite3"
)

// FileName is the name of the index in the folder of its journal.
const FileName = "index.db"

const (
	applicationID = 0x77706978 // "wpix"
	// storeVersion also stands for what facts finds in an entry: whoever alters that raises it, so that every index is made
	// anew.
	storeVersion = 1
	storePage    = 16384
	busyTime     = 5 * time.Second
)

var tables = []string{
	"CREATE TABLE blocks(first INTEGER PRIMARY KEY, last INTEGER NOT NULL, earliest INTEGER NOT NULL, latest INTEGER NOT NULL, " +
		"hash BLOB NOT NULL, sum INTEGER NOT NULL)",
	"CREATE TABLE times(block INTEGER NOT NULL, part INTEGER NOT NULL, body BLOB NOT NULL, PRIMARY KEY(block, part)) WITHOUT ROWID",
	"CREATE TABLE pages(block INTEGER NOT NULL, term BLOB NOT NULL, body BLOB NOT NULL, PRIMARY KEY(block, term)) WITHOUT ROWID",
}

// The statements of a store, prepared once.
const (
	sqlBlocks = iota
	sqlTimes
	sqlPage
	sqlPages
	sqlPutBlock
	sqlPutTimes
	sqlPutPage
	sqlDropBlock
	sqlDropTimes
	sqlDropPages
	sqlCount
)

var statements = [sqlCount]string{
	sqlBlocks:    "SELECT first, last, earliest, latest, hash, sum FROM blocks WHERE first > 0 ORDER BY first",
	sqlTimes:     "SELECT body FROM times WHERE block = ? AND part = ?",
	sqlPage:      "SELECT term, body FROM pages WHERE block = ? AND term <= ? ORDER BY term DESC LIMIT 1",
	sqlPages:     "SELECT term, body FROM pages WHERE block = ? ORDER BY term",
	sqlPutBlock:  "INSERT INTO blocks VALUES (?, ?, ?, ?, ?, ?)",
	sqlPutTimes:  "INSERT INTO times VALUES (?, ?, ?)",
	sqlPutPage:   "INSERT INTO pages VALUES (?, ?, ?)",
	sqlDropBlock: "DELETE FROM blocks WHERE first = ?",
	sqlDropTimes: "DELETE FROM times WHERE block = ?",
	sqlDropPages: "DELETE FROM pages WHERE block = ?",
}

// errNoIndex says that there is no index that this weighpost could read.
var errNoIndex = errors.New("there is no index.db of this version")

// store is one connection to an index.db. It belongs to one goroutine at a time.
type store struct {
	name string
	file fs.FileInfo // what stood under the name when it was opened
	db   *sqlite3.Conn
	sql  [sqlCount]*sqlite3.Stmt
}

// openStore opens an index.db for reading, or for writing where it is then made if there is none. errNoIndex and SQLite's
// own errors say that it has to be made anew.
func openStore(name string, write bool) (*store, error) {
	mode := "ro"
	if write {
		mode = "rwc"
	}
	if info, err := os.Lstat(name); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s is no file", name)
	}
	db, err := sqlite3.OpenFlags(uri(name, mode), sqlite3.OPEN_READWRITE|sqlite3.OPEN_CREATE|sqlite3.OPEN_URI)
	if err != nil {
		return nil, err
	}
	s := &store{name: name, db: db}
	if err := s.prepare(write); err != nil {
		return nil, errors.Join(err, s.close())
	}
	if s.file, err = os.Lstat(name); err != nil {
		return nil, errors.Join(err, s.close())
	}
	return s, nil
}

func uri(name, mode string) string {
	path := filepath.ToSlash(name)
	if !strings.HasPrefix(path, "/") && filepath.VolumeName(name) != "" {
		path = "/" + path
	}
	return (&url.URL{Scheme: "file", OmitHost: true, Path: path, RawQuery: "mode=" + mode}).String()
}

// prepare sets the connection up. The file is disposable, so that nothing is synced: what a power cut leaves of it is found
// out by its check sums.
func (s *store) prepare(write bool) error {
	pragmas := []string{"cache_size=-2048", "trusted_schema=OFF", "cell_size_check=ON", "mmap_size=0", "temp_store=MEMORY"}
	if write {
		pragmas = append(pragmas, fmt.Sprintf("page_size=%d", storePage), "journal_mode=TRUNCATE", "synchronous=OFF")
	} else {
		pragmas = append(pragmas, "query_only=ON")
	}
	for _, p := range pragmas {
		if err := s.db.Exec("PRAGMA " + p); err != nil {
			return err
		}
	}
	if err := s.db.BusyTimeout(busyTime); err != nil {
		return err
	}
	empty, err := s.number("SELECT count(*) FROM sqlite_schema")
	if err != nil {
		return err
	}
	if write && empty == 0 {
		if err := s.create(); err != nil {
			return err
		}
	}
	if err := s.isOurs(); err != nil {
		return err
	}
	for i, sql := range statements {
		if s.sql[i], _, err = s.db.PrepareFlags(sql, sqlite3.PREPARE_PERSISTENT); err != nil {
			return err
		}
	}
	return nil
}

func (s *store) create() error {
	return s.transact("IMMEDIATE", func() error {
		for _, t := range tables {
			if err := s.db.Exec(t); err != nil {
				return err
			}
		}
		return s.db.Exec(fmt.Sprintf("PRAGMA application_id=%d; PRAGMA user_version=%d", applicationID, storeVersion))
	})
}

// isOurs refuses a file of another program, of another version, or with anything in it that weighpost did not put there.
func (s *store) isOurs() error {
	for pragma, want := range map[string]int64{"application_id": applicationID, "user_version": storeVersion} {
		if have, err := s.number("PRAGMA " + pragma); err != nil || have != want {
			return errors.Join(errNoIndex, err)
		}
	}
	stmt, _, err := s.db.Prepare("SELECT sql FROM sqlite_schema ORDER BY rowid")
	if err != nil {
		return err
	}
	defer stmt.Close()
	for i := 0; stmt.Step(); i++ {
		if i == len(tables) || stmt.ColumnText(0) != tables[i] {
			return errNoIndex
		}
	}
	return stmt.Err()
}

func (s *store) number(sql string) (int64, error) {
	stmt, _, err := s.db.Prepare(sql)
	if err != nil {
		return 0, err
	}
	defer stmt.Close()
	if !stmt.Step() {
		return 0, errors.Join(errCorrupt, stmt.Err())
	}
	return stmt.ColumnInt64(0), nil
}

// moved says whether the name no longer stands for the file that is open: somebody deleted or replaced it.
func (s *store) moved() bool {
	now, err := os.Lstat(s.name)
	return err != nil || !os.SameFile(now, s.file)
}

func (s *store) close() error {
	for _, stmt := range s.sql {
		if stmt != nil {
			_ = stmt.Close()
		}
	}
	return s.db.Close()
}

// transact runs f in a transaction: DEFERRED for reading, where all that f sees is of one moment, or IMMEDIATE.
func (s *store) transact(how string, f func() error) error {
	if err := s.db.Exec("BEGIN " + how); err != nil {
		return err
	}
	err := f()
	if err == nil {
		err = s.db.Exec("COMMIT")
	}
	if err != nil && !s.db.GetAutocommit() {
		err = errors.Join(err, s.db.Exec("ROLLBACK"))
	}
	return err
}

// rows runs a statement and calls each for every row.
func (s *store) rows(which int, bind func(*sqlite3.Stmt) error, each func(*sqlite3.Stmt) error) error {
	stmt := s.sql[which]
	err := bind(stmt)
	for err == nil && stmt.Step() {
		err = each(stmt)
	}
	if err != nil {
		_ = stmt.Reset()
		return err
	}
	return stmt.Reset() // tells of what Step met
}

func bindBlock(first uint64) func(*sqlite3.Stmt) error {
	return func(stmt *sqlite3.Stmt) error { return stmt.BindInt64(1, int64(first)) }
}

// blocks lists the blocks, ascending. They begin with entry 1 and leave none out.
func (s *store) blocks() ([]block, error) {
	var list []block
	next := uint64(1)
	err := s.rows(sqlBlocks, func(*sqlite3.Stmt) error { return nil }, func(row *sqlite3.Stmt) error {
		b := block{first: uint64(row.ColumnInt64(0)), last: uint64(row.ColumnInt64(1)), earliest: row.ColumnInt64(2), latest: row.ColumnInt64(3)}
		hash := row.ColumnRawBlob(4)
		if len(hash) != len(b.hash) {
			return errCorrupt
		}
		copy(b.hash[:], hash)
		if b.first != next || b.last < b.first || b.size() > blockSizes[len(blockSizes)-1] || row.ColumnInt64(5) != b.sum() {
			return errCorrupt
		}
		next = b.last + 1
		list = append(list, b)
		return nil
	})
	return list, err
}

// sum is the check sum over what is known of a block.
func (b block) sum() int64 {
	var buf []byte
	for _, v := range []uint64{b.last, uint64(b.earliest), uint64(b.latest)} {
		buf = binary.BigEndian.AppendUint64(buf, v)
	}
	return int64(sumOf(append(buf, b.hash[:]...), b.first, nil))
}

// put stores a block instead of those that it was made of, in one transaction.
func (s *store) put(c content, instead []block) error {
	return s.transact("IMMEDIATE", func() error {
		for _, old := range instead {
			for _, drop := range []int{sqlDropBlock, sqlDropTimes, sqlDropPages} {
				if err := s.rows(drop, bindBlock(old.first), nothing); err != nil {
					return err
				}
			}
		}
		err := s.rows(sqlPutBlock, func(stmt *sqlite3.Stmt) error {
			return errors.Join(stmt.BindInt64(1, int64(c.first)), stmt.BindInt64(2, int64(c.last)), stmt.BindInt64(3, c.earliest),
				stmt.BindInt64(4, c.latest), stmt.BindBlob(5, c.hash[:]), stmt.BindInt64(6, c.sum()))
		}, nothing)
		if err != nil {
			return err
		}
		if err := s.putTimes(c.first, c.times); err != nil {
			return err
		}
		for _, p := range c.pages {
			err := s.rows(sqlPutPage, func(stmt *sqlite3.Stmt) error {
				return errors.Join(stmt.BindInt64(1, int64(c.first)), bindBytes(stmt, 2, p.from), stmt.BindBlob(3, p.body))
			}, nothing)
			if err != nil {
				return err
			}
		}
		return nil
	})
}

func nothing(*sqlite3.Stmt) error { return nil }

// bindBytes binds bytes, none included, which SQLite would else take for NULL.
func bindBytes(stmt *sqlite3.Stmt, at int, b []byte) error {
	if len(b) == 0 {
		return stmt.BindZeroBlob(at, 0)
	}
	return stmt.BindBlob(at, b)
}

// load reads a whole block.
func (s *store) load(b block) (content, error) {
	c := content{block: b}
	var err error
	if c.times, err = s.allTimes(b); err != nil {
		return c, err
	}
	next := []byte{}
	err = s.rows(sqlPages, bindBlock(b.first), func(row *sqlite3.Stmt) error {
		p := page{row.ColumnBlob(0, nil), row.ColumnBlob(1, nil)}
		if len(c.pages) > 0 && len(next) == 0 || string(p.from) != string(next) {
			return errCorrupt
		}
		next, _, err = openPage(p.body, b.first, p.from)
		c.pages = append(c.pages, p)
		return err
	})
	if err == nil && (len(c.pages) == 0 || len(next) != 0) {
		err = errCorrupt
	}
	return c, err
}

// find adds the entries of a block that have a term, or with prefix any term that begins so, to a set.
func (s *store) find(b block, term []byte, prefix bool, into set) error {
	for from := term; from != nil; {
		var next []byte
		found := false
		err := s.rows(sqlPage, func(stmt *sqlite3.Stmt) error {
			return errors.Join(stmt.BindInt64(1, int64(b.first)), bindBytes(stmt, 2, from))
		}, func(row *sqlite3.Stmt) error {
			key := row.ColumnRawBlob(0)
			after, items, err := openPage(row.ColumnRawBlob(1), b.first, key)
			// The page is the one for the term only if the term lies between what it begins with and the next one's begin.
			if err != nil || string(key) > string(from) || len(after) > 0 && string(after) <= string(from) {
				return errCorrupt
			}
			found = true
			if prefix && len(after) > 0 && strings.HasPrefix(string(after), string(term)) {
				next = append(next, after...)
			}
			return find(items, term, prefix, into, b.size())
		})
		if err != nil {
			return err
		}
		if !found {
			return errCorrupt
		}
		from = next
	}
	return nil
}
