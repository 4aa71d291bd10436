package journal

import (
	"context"
	"errors"
	"fmt"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// Scan gives the entries after a sequence, in order, of a journal that is closed or being written, to each, until it
// returns an error, which Scan returns. It writes nothing and checks nothing: that is Verify's.
func Scan(ctx context.Context, dir string, after uint64, each func(record.Entry) error) error {
	dir = folder(dir)
	d := osDisk{}
	there, err := d.Exists(in(dir, dbName))
	if err != nil {
		return fmt.Errorf("the journal in %s cannot be read: %w", dir, err)
	}
	if !there {
		return fmt.Errorf("there is no journal in %s: name the folder that holds journal.db", dir)
	}
	open := openLook
	if held(dir) {
		open = openReader
	}
	db, err := open(d, in(dir, dbName))
	if err == nil {
		_, err = version(db)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("the journal in %s cannot be read: %w", dir, err), db.Close())
	}
	defer db.Close()
	for {
		n, failed := 0, error(nil)
		err := query(db, "SELECT seq, json FROM entries WHERE seq > ? ORDER BY seq LIMIT ?", []int64{int64(after), verifyChunk},
			func(row *sqlite3.Stmt) error {
				n, after = n+1, uint64(row.ColumnInt64(0))
				e, err := record.ParseEntry(row.ColumnBlob(1, nil))
				if err == nil {
					err = each(e)
				}
				failed = errors.Join(err, ctx.Err())
				return failed
			})
		if failed != nil {
			return failed
		}
		if err != nil {
			return fmt.Errorf("the journal in %s cannot be read after entry %d: %w. Run: weighpost journal verify", dir, after, err)
		}
		if n < verifyChunk {
			return nil
		}
	}
}
