package index

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"

	"github.com/ncruces/go-sqlite3"
	"golang.org/x/mod/sumdb/tlog"
)

// DB is the index.db of a journal, for those who search in it. The file may come and go meanwhile.
type DB struct {
	name   string
	places chan struct{} // one for each search that may run
	wake   chan struct{} // the feeder, when the index turned out to be wrong
	wrong  atomic.Bool

	mu     sync.Mutex
	idle   []*store
	closed bool
}

const searches = 2

// OpenDB gives the index in a journal's folder. It opens nothing yet: there may be none.
func OpenDB(dir string) *DB {
	return &DB{name: filepath.Join(dir, FileName), places: make(chan struct{}, searches), wake: make(chan struct{}, 1)}
}

// Close lets go of the file. Nobody may search any more.
func (d *DB) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.closed = true
	var err error
	for _, s := range d.idle {
		err = errors.Join(err, s.close())
	}
	d.idle = nil
	return err
}

// Covers gives the entry up to which the index of a journal has come, and an error where there is none that can be used.
func (d *DB) Covers(ctx context.Context, src Source) (covered uint64, err error) {
	err = d.use(ctx, src, src.Head(), func(_ *store, blocks []block) error {
		if len(blocks) > 0 {
			covered = blocks[len(blocks)-1].last
		}
		return nil
	})
	return covered, err
}

// use lets f look into the index as it is at one moment, as far as it goes along with the journal up to head. What is
// wrong with it is told to the feeder.
func (d *DB) use(ctx context.Context, src Source, head uint64, f func(s *store, blocks []block) error) error {
	select {
	case d.places <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-d.places }()
	s, err := d.take()
	if err == nil {
		err = s.transact("DEFERRED", func() error {
			blocks, err := s.blocks()
			if err != nil {
				return err
			}
			for len(blocks) > 0 && blocks[len(blocks)-1].last > head {
				blocks = blocks[:len(blocks)-1]
			}
			if err := goesAlong(ctx, src, blocks); err != nil {
				return err
			}
			return f(s, blocks)
		})
	}
	var other *journalError
	if s != nil && (err == nil || errors.As(err, &other) || ctx.Err() != nil) {
		d.giveBack(s)
		return err
	}
	if s != nil {
		_ = s.close()
	}
	if !passing(err) {
		d.wrong.Store(true)
		select {
		case d.wake <- struct{}{}:
		default:
		}
	}
	return err
}

// goesAlong says whether the last entry that the index has is the journal's.
func goesAlong(ctx context.Context, src Source, blocks []block) error {
	if len(blocks) == 0 || src == nil {
		return nil
	}
	last := blocks[len(blocks)-1]
	entries, err := src.Read(ctx, last.last-1, 1)
	if err != nil {
		return &journalError{err}
	}
	if len(entries) != 1 || entries[0].Seq != last.last || tlog.RecordHash(entries[0].JSON) != last.hash {
		return errStranger
	}
	return nil
}

// errStranger says that the index is of another journal, or of a later state of this one.
var errStranger = errors.New("index.db is of another journal")

// passing says whether an error goes away by itself: the file is as it was, and the computer could not just then.
func passing(err error) bool {
	if errors.Is(err, sqlite3.READONLY_ROLLBACK) { // a journal of SQLite beside it, of a write that was cut off
		return false
	}
	for _, code := range []sqlite3.ErrorCode{sqlite3.BUSY, sqlite3.LOCKED, sqlite3.FULL, sqlite3.NOMEM, sqlite3.PERM, sqlite3.READONLY, sqlite3.CANTOPEN, sqlite3.INTERRUPT} {
		if errors.Is(err, code) {
			return true
		}
	}
	return errors.Is(err, sqlite3.IOERR) && !errors.Is(err, sqlite3.IOERR_SHORT_READ) && !errors.Is(err, sqlite3.IOERR_DATA) &&
		!errors.Is(err, sqlite3.IOERR_CORRUPTFS)
}

func (d *DB) take() (*store, error) {
	d.mu.Lock()
	for len(d.idle) > 0 {
		s := d.idle[len(d.idle)-1]
		d.idle = d.idle[:len(d.idle)-1]
		if !s.moved() {
			d.mu.Unlock()
			return s, nil
		}
		_ = s.close()
	}
	d.mu.Unlock()
	if _, err := os.Lstat(d.name); err != nil {
		return nil, errNoIndex
	}
	return openStore(d.name, false)
}

func (d *DB) giveBack(s *store) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		_ = s.close()
		return
	}
	d.idle = append(d.idle, s)
}
