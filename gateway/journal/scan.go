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
//
// Entries that were sealed come from their segments. Those of a segment that cannot be read are left out, and the rest is
// given; at the end, or joined to the error of each, a *SegmentFault says so.
func Scan(ctx context.Context, dir string, after uint64, each func(record.Entry) error) error {
	return ScanWith(ctx, dir, "", after, each)
}

// ScanWith is Scan with another folder in which segments are looked for that the journal's own folder lacks.
func ScanWith(ctx context.Context, dir, segments string, after uint64, each func(record.Entry) error) error {
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
	x := &scan{ctx: ctx, dir: dir, db: db, sealed: newSealed(d, dir, db, segments), after: after, each: each}
	defer x.sealed.close()
	for {
		more, err := x.chunk()
		if err != nil {
			return errors.Join(err, x.incomplete())
		}
		if !more {
			return x.incomplete()
		}
	}
}

// scan is one reading of a journal from an entry on.
type scan struct {
	ctx    context.Context
	dir    string
	db     *sqlite3.Conn
	sealed *sealed
	after  uint64 // the last entry read
	each   func(record.Entry) error

	lost  error  // why an entry could not be had, the first
	count uint64 // how many could not
}

// chunk reads the next entries, and says whether there may be more.
func (x *scan) chunk() (more bool, err error) {
	n, failed := 0, error(nil)
	err = query(x.db, "SELECT seq, json, hashes FROM entries WHERE seq > ? ORDER BY seq LIMIT ?", []int64{int64(x.after), verifyChunk},
		func(row *sqlite3.Stmt) error {
			n, x.after = n+1, uint64(row.ColumnInt64(0))
			failed = errors.Join(x.row(row.ColumnBlob(1, nil), row.ColumnRawBlob(2)), x.ctx.Err())
			return failed
		})
	if failed != nil {
		return false, failed
	}
	if err != nil {
		return false, fmt.Errorf("the journal in %s cannot be read after entry %d: %w. Run: weighpost journal verify", x.dir, x.after, err)
	}
	return n == verifyChunk, nil
}

// row hands over one entry. That a segment cannot be read ends nothing.
func (x *scan) row(raw, hashes []byte) (err error) {
	if len(raw) == 0 {
		raw, err = x.sealed.entry(x.after, hashes)
		if errors.As(err, new(*SegmentFault)) {
			x.count++
			if x.lost == nil {
				x.lost = err
			}
			return nil
		}
	}
	if err != nil {
		return err
	}
	e, err := record.ParseEntry(raw)
	if err != nil {
		return err
	}
	return x.each(e)
}

// incomplete says that some entries could not be given, or nil.
func (x *scan) incomplete() error {
	if x.lost == nil {
		return nil
	}
	return fmt.Errorf("%d entries are left out, because their segments cannot be read. The first: %w", x.count, x.lost)
}
