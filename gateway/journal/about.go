package journal

import (
	"context"
	"errors"
	"fmt"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"
)

// About is what a journal says of itself and of how far it reaches.
type About struct {
	Origin      string // name of the tree in its checkpoints
	Incarnation string
	// Head is the sequence of the last entry: where a daemon writes the journal, of the last one that was acknowledged.
	Head uint64
	// Checkpoint is the newest signed note that covers no more than Head; nil: there is none.
	Checkpoint []byte
	// Acknowledged is how many entries the head file vouches for, and Root the hash of their tree.
	Acknowledged uint64
	Root         tlog.Hash
}

// AboutDir tells what a journal says of itself, closed or being written. It writes nothing and checks nothing: that is
// Verify's.
func AboutDir(_ context.Context, dir string) (About, error) {
	dir = folder(dir)
	d := osDisk{}
	there, err := d.Exists(in(dir, dbName))
	if err == nil && !there {
		return About{}, fmt.Errorf("there is no journal in %s: name the folder that holds journal.db", dir)
	}
	live := held(dir)
	// The head file goes first: what it vouches for is in journal.db before.
	var head headState
	file, fileErr := d.ReadFile(in(dir, headName))
	if fileErr == nil {
		head, fileErr = decodeHead(file)
	}
	if err := errors.Join(err, fileErr); err != nil {
		return About{}, fmt.Errorf("the journal in %s cannot be read: %w. Run: weighpost journal verify", dir, err)
	}
	open := openLook
	if live {
		open = openReader
	}
	db, err := open(d, in(dir, dbName))
	if err != nil {
		return About{}, fmt.Errorf("the journal in %s cannot be read: %w. Run: weighpost journal verify", dir, err)
	}
	defer db.Close()
	a := About{Acknowledged: head.seq, Root: head.root, Head: head.seq}
	if err := a.read(db, live); err != nil {
		return About{}, fmt.Errorf("the journal in %s cannot be read: %w. Run: weighpost journal verify", dir, err)
	}
	if a.Head < a.Acknowledged {
		return About{}, fmt.Errorf("the journal in %s ends with entry %d, and %d were acknowledged. Run: weighpost journal verify",
			dir, a.Head, a.Acknowledged)
	}
	return a, nil
}

// read takes what is in journal.db.
func (a *About) read(db *sqlite3.Conn, live bool) error {
	v, err := version(db)
	if err != nil {
		return err
	}
	if v > len(steps) {
		return fmt.Errorf("it was written by a newer weighpost (version %d; this one knows up to %d)", v, len(steps))
	}
	err = query(db, "SELECT name, value FROM meta WHERE name IN ('incarnation', 'origin')", nil, func(row *sqlite3.Stmt) error {
		if row.ColumnText(0) == "origin" {
			a.Origin = row.ColumnText(1)
		} else {
			a.Incarnation = row.ColumnText(1)
		}
		return nil
	})
	if err == nil && !live {
		err = query(db, "SELECT coalesce(max(seq), 0) FROM entries", nil, func(row *sqlite3.Stmt) error {
			a.Head = uint64(max(0, row.ColumnInt64(0)))
			return nil
		})
	}
	if err != nil {
		return err
	}
	return query(db, "SELECT note FROM checkpoints WHERE seq <= ? ORDER BY seq DESC LIMIT 1", []int64{int64(a.Head)},
		func(row *sqlite3.Stmt) error {
			a.Checkpoint = row.ColumnBlob(0, nil)
			return nil
		})
}
