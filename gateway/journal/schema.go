package journal

import (
	"fmt"

	"github.com/ncruces/go-sqlite3"
)

// applicationID marks journal.db as ours in SQLite's header: "wpst".
const applicationID = 0x77707374

// steps turn an older journal.db into the newest, one version each, all in one transaction. A step that was released is
// never altered: a later version adds one. What a journal.db has behind it is its PRAGMA user_version.
var steps = []string{
	`
CREATE TABLE entries(
	seq    INTEGER PRIMARY KEY, -- from 1, without gaps
	json   BLOB NOT NULL,       -- the exact bytes that the leaf hash covers
	hashes BLOB NOT NULL        -- the leaf's, then those of the subtrees that this entry completes, 32 bytes each
);
CREATE TABLE checkpoints(
	seq  INTEGER PRIMARY KEY, -- entries covered
	note BLOB NOT NULL        -- the signed note
);
CREATE TABLE numbers(
	balance TEXT PRIMARY KEY,
	last    INTEGER NOT NULL -- number last given, in the present incarnation
) WITHOUT ROWID;
CREATE TABLE cursors(
	name TEXT PRIMARY KEY,
	seq  INTEGER NOT NULL -- up to here, this reader has everything
) WITHOUT ROWID;
CREATE TABLE parked(
	cursor TEXT NOT NULL,
	seq    INTEGER NOT NULL, -- the entry that was refused
	notice INTEGER NOT NULL, -- the entry that says so
	PRIMARY KEY(cursor, seq)
) WITHOUT ROWID;
CREATE TABLE meta(
	name  TEXT PRIMARY KEY, -- incarnation, origin
	value TEXT NOT NULL
) WITHOUT ROWID;
`,
	`
CREATE TABLE segments( -- spans of entries whose bytes were moved into files of their own: json is empty there
	first   INTEGER PRIMARY KEY, -- sequence of the first entry
	last    INTEGER NOT NULL,    -- and of the last
	sealed  INTEGER NOT NULL,    -- the entry that says so
	dropped INTEGER NOT NULL,    -- up to this entry, json is empty by now
	file    TEXT NOT NULL,       -- its name in the folder segments
	members BLOB NOT NULL        -- its index, as JSON
);
`,
	`
CREATE TABLE released( -- entries that somebody let go which were held back; it follows from the entries
	seq    INTEGER PRIMARY KEY, -- the entry
	notice INTEGER NOT NULL     -- the first entry that says so
);
`,
}

// segmentsSince is the version of journal.db that first had segments.
const segmentsSince = 2

// foreignObjects finds triggers, views and indexes: weighpost makes none, and a trigger could change what is recorded.
const foreignObjects = "SELECT type, name FROM sqlite_schema WHERE type IN ('trigger', 'view') OR type = 'index' AND sql IS NOT NULL"

// version reads what a journal.db is. It fails on a file that is none of ours.
func version(db *sqlite3.Conn) (int, error) {
	id, err := pragmaInt(db, "application_id")
	if err != nil {
		return 0, err
	}
	v, err := pragmaInt(db, "user_version")
	if err != nil {
		return 0, err
	}
	if id != applicationID || v < 1 {
		return 0, fmt.Errorf("journal.db is an SQLite file, but not a journal of weighpost")
	}
	return int(v), nil
}

// migrate brings journal.db from a version to the newest in one transaction.
func migrate(db *sqlite3.Conn, from int, steps []string) error {
	if from == len(steps) {
		return nil
	}
	return transact(db, func() error {
		for i, step := range steps[from:] {
			if err := db.Exec(step); err != nil {
				return fmt.Errorf("bringing journal.db to version %d: %w", from+i+1, err)
			}
		}
		return db.Exec(fmt.Sprintf("PRAGMA application_id=%d; PRAGMA user_version=%d", applicationID, len(steps)))
	})
}

// transact runs f in one transaction, which is durable when it returns without an error and undone when it does not.
func transact(db *sqlite3.Conn, f func() error) error {
	return transactBy(db, func() error { return db.Exec(beginSQL) }, f, func() error { return db.Exec(commitSQL) })
}

const beginSQL, commitSQL = "BEGIN IMMEDIATE", "COMMIT"

// transactBy is transact for who can begin and commit in another way.
func transactBy(db *sqlite3.Conn, begin, f, commit func() error) error {
	if err := begin(); err != nil {
		return err
	}
	err := f()
	if err == nil {
		err = commit()
	}
	if err != nil && !db.GetAutocommit() {
		if undo := db.Exec("ROLLBACK"); undo != nil {
			return fmt.Errorf("%w, and then: %w", err, undo)
		}
	}
	return err
}

func pragmaInt(db *sqlite3.Conn, name string) (int64, error) {
	var v int64
	err := query(db, "PRAGMA "+name, nil, func(row *sqlite3.Stmt) error {
		v = row.ColumnInt64(0)
		return nil
	})
	return v, err
}

// query runs one statement with whole-number arguments and calls each for every row.
func query(db *sqlite3.Conn, sql string, args []int64, each func(row *sqlite3.Stmt) error) error {
	stmt, _, err := db.Prepare(sql)
	if err != nil {
		return err
	}
	defer stmt.Close()
	for i, a := range args {
		if err := stmt.BindInt64(i+1, a); err != nil {
			return err
		}
	}
	for stmt.Step() {
		if err := each(stmt); err != nil {
			return err
		}
	}
	return stmt.Err()
}
