package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"
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
		"into it, and restore the newest backup into a new one; what is not in the backup is with the sinks. Read: weighpost help "+
		"damage", d.Dir, d.What)
}

// state is what the writer knows of its journal, all of it in the files too.
type state struct {
	incarnation string
	origin      string
	edge        edge              // its size is the sequence of the last entry
	numbers     map[string]uint64 // balance → number last given
	cursors     map[string]uint64
	goals       map[string]string // cursor → what it is for
	notes       map[string]noted  // what Remember was told
	signed      uint64            // entries covered by the last checkpoint
	note        []byte            // that checkpoint
	key         string            // text of the public key in force; "" where an older weighpost did not note it
	keyFrom     uint64            // the entry that put it in force; 0: the first key
	marked      string            // damage that was found while it was in use, or ""
	machine     string            // names the computer that wrote it last; "" where that is not known
	told        map[string]Acknowledgement
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
	wal, err := readWAL(d, dir)
	if err != nil {
		return state{}, headState{}, 0, err
	}
	if what, _ := refuseWAL(d, dir, wal, head); what != "" {
		return damaged("%s", what)
	}
	db, err := openLook(d, in(dir, dbName))
	if err != nil {
		return damaged("journal.db cannot be read: %v", inWords(err))
	}
	defer db.Close()
	v, err := version(db)
	if err != nil {
		return damaged("journal.db cannot be read: %v", inWords(err))
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
		if err = checkHead(db, s, head); err != nil && (wal.bad > 0 || wal.badHeader) {
			err = fmt.Errorf("%w. The first place of %s that is not whole is %s", err, dbName+walSuffix, wal.place())
		}
	}
	if err == nil {
		err = checkLast(ctx, db, s)
	}
	if ctx.Err() != nil {
		return state{}, head, v, ctx.Err()
	}
	if err != nil {
		return damaged("%v", placed(err, d, dir, db))
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
	s.incarnation, s.origin, s.marked, s.machine = meta["incarnation"], meta["origin"], meta[damageMark], meta[machineName]
	s.goals, s.notes, s.told = map[string]string{}, map[string]noted{}, map[string]Acknowledgement{}
	for name, value := range meta {
		if cursor, ok := strings.CutPrefix(name, goalPrefix); ok {
			s.goals[cursor] = value
		}
		if reader, ok := strings.CutPrefix(name, notePrefix); ok {
			if n, ok := parseNoted(value); ok {
				s.notes[reader] = n
			}
		}
		if a, ok := parseTold(name, value); ok {
			s.told[a.Sink] = a
		}
		if from, ok := parseKeyRow(name); ok && from >= s.keyFrom {
			s.key, s.keyFrom = value, from
		}
	}
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
		switch {
		case err != nil:
			return &entryFault{seq, fmt.Sprintf("entry %d cannot be read: journal.db is damaged there (%v)", seq, err)}
		case !found:
			return &entryFault{seq, fmt.Sprintf("entry %d or its hashes are missing", seq)}
		}
		return nil
	})
	return e, err
}
