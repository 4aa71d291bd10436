package journal

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"syscall"
	"time"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// harmless says whether SQLite undid what failed and can go on with the files as they are: no space, or a lock. After any
// other error, above all a failed sync, nobody knows what is on the disk: a sync that is tried again "succeeds" although
// the system has thrown away what it could not write.
func harmless(err error) bool {
	var full *noRoom
	return errors.As(err, &full) || errors.Is(err, sqlite3.FULL) || errors.Is(err, sqlite3.BUSY) || errors.Is(err, sqlite3.LOCKED)
}

// explain says in words what SQLite has only a code for.
func explain(err error) error {
	if errors.Is(err, syscall.EROFS) {
		return fmt.Errorf("the disk has turned read-only, as systems do after an error of the disk: stop weighpost, check the "+
			"file system, mount it again and start weighpost: %w", err)
	}
	what := "writing journal.db"
	var code sqlite3.ErrorCode
	if !errors.As(err, &code) {
		return err
	}
	switch {
	case errors.Is(err, sqlite3.FULL):
		what = "the disk is full, or a quota or limit is reached"
	case errors.Is(err, sqlite3.IOERR_FSYNC), errors.Is(err, sqlite3.IOERR_DIR_FSYNC):
		what = "the disk failed to keep what was written (sync of journal.db)"
	case errors.Is(err, sqlite3.READONLY):
		what = "the disk does not allow writing"
	case errors.Is(err, sqlite3.IOERR), errors.Is(err, sqlite3.CANTOPEN):
		what = "the disk failed (journal.db)"
	case errors.Is(err, sqlite3.BUSY):
		what = "another program keeps journal.db locked"
	case errors.Is(err, sqlite3.CORRUPT), errors.Is(err, sqlite3.NOTADB):
		what = "journal.db is damaged"
	}
	return fmt.Errorf("%s: %w", what, err)
}

// stop says that nothing can be recorded, and plans the next try.
func (w *writer) stop(cause error) {
	w.reopen = w.reopen || !harmless(cause)
	w.backoff = max(w.j.o.retryMin, min(2*w.backoff, w.j.o.retryMax))
	if w.due[choreRetry] = time.Now().Add(w.backoff); w.halted {
		w.due[choreRetry] = time.Time{}
	}
	if w.stopped == nil {
		w.since = time.Now()
		w.lastWords(cause)
	}
	news := w.stopped == nil || w.stopped.Error() != cause.Error() // a disk that failed may have turned read-only since
	w.stopped = cause
	w.j.setStopped(cause)
	if news {
		w.j.o.Log.Error("recording is stopped", "dir", w.j.o.Dir, "error", cause)
	}
	w.j.o.OnState(true, cause)
}

// retry tries to record again.
func (w *writer) retry() {
	var err error
	if w.reopen {
		if err = w.startOver(); err != nil {
			err = explain(err)
		}
	}
	if err == nil {
		w.reopen = false
		err = w.enough()
	}
	if err == nil {
		err = w.probe()
	}
	if err == nil {
		if body := w.notice(Notice{Cause: w.stopped, Since: w.since}); body != nil {
			err = w.record(body)
		}
	}
	if err != nil {
		w.stop(err)
		return
	}
	w.stopped, w.backoff = nil, 0
	w.j.setStopped(nil)
	w.j.o.Log.Info("recording works again", "dir", w.j.o.Dir)
	w.j.o.OnState(false, nil)
	w.schedule(choreCursors, 0)
}

// probe writes and removes as much as a few dozen weighings take, so that recording is not resumed for one commit only.
func (w *writer) probe() error {
	const bytes = 64 << 10
	put := fmt.Sprintf("INSERT OR REPLACE INTO meta(name, value) VALUES('probe', zeroblob(%d))", bytes)
	for _, sql := range []string{put, "DELETE FROM meta WHERE name = 'probe'"} {
		if err := transact(w.store.db, func() error { return w.store.db.Exec(sql) }); err != nil {
			return explain(err)
		}
	}
	return nil
}

// startOver opens the files again, checks them, and undoes what was never acknowledged.
func (w *writer) startOver() error {
	o := &w.j.o
	if _, _, _, err := inspect(context.Background(), o.disk, o.Dir, len(o.steps)); err != nil {
		return err
	}
	if err := w.closeFiles(); err != nil {
		o.Log.Warn("closing the journal's files after an error", "dir", o.Dir, "error", err)
	}
	if err := w.openFiles(len(o.steps)); err != nil {
		return err
	}
	at, err := loadEdge(w.store.db, w.state.edge.size)
	if err != nil {
		return err
	}
	if at != w.state.edge {
		return &Damaged{o.Dir, "journal.db no longer holds what was acknowledged"}
	}
	// Copying the WAL back writes and syncs all of it anew, whatever became of earlier writes.
	done, err := w.store.fold(true)
	if err == nil && !done {
		err = fmt.Errorf("another process is reading journal.db, so that it cannot be written anew")
	}
	if err != nil {
		return err
	}
	root, err := at.root()
	if err != nil {
		return err
	}
	// The head first: it must never be ahead of journal.db.
	if err := w.head.settle(at.size, root); err != nil {
		return err
	}
	return w.undo()
}

// undo removes entries that were written and never acknowledged: those who asked were told that they are not recorded.
// No reader has seen them.
func (w *writer) undo() error {
	w.j.mu.Lock()
	cursors, goals, notes := maps.Clone(w.j.cursors), maps.Clone(w.j.goals), maps.Clone(w.j.notes)
	w.j.mu.Unlock()
	db := w.store.db
	return transact(db, func() error {
		for _, sql := range []string{
			"DELETE FROM entries WHERE seq > %d", "DELETE FROM checkpoints WHERE seq > %d", "DELETE FROM parked WHERE notice > %d",
			"DELETE FROM meta WHERE name GLOB '" + keyPrefix + "*' AND CAST(substr(name, 5) AS INTEGER) > %d",
			"DELETE FROM segments WHERE sealed > %d", "DELETE FROM released WHERE notice > %d",
		} {
			if err := db.Exec(fmt.Sprintf(sql, w.state.edge.size)); err != nil {
				return err
			}
		}
		if err := db.Exec("DELETE FROM numbers; DELETE FROM cursors; DELETE FROM meta WHERE name GLOB '" + goalPrefix + "*' OR name GLOB '" + notePrefix + "*'"); err != nil {
			return err
		}
		for _, name := range slices.Sorted(maps.Keys(goals)) {
			if err := putMeta(db, goalPrefix+name, goals[name]); err != nil {
				return err
			}
		}
		for _, name := range slices.Sorted(maps.Keys(notes)) {
			if err := putMeta(db, notePrefix+name, notes[name].String()); err != nil {
				return err
			}
		}
		for _, p := range w.wasParked {
			if err := w.store.putParked(p.cursor, p.seq, p.notice); err != nil {
				return err
			}
		}
		for _, balance := range slices.Sorted(maps.Keys(w.state.numbers)) {
			if err := w.store.putNumber(balance, w.state.numbers[balance]); err != nil {
				return err
			}
		}
		for _, name := range slices.Sorted(maps.Keys(cursors)) {
			if err := w.store.putCursor(name, cursors[name]); err != nil {
				return err
			}
		}
		return nil
	})
}

// forget takes back the identities that a failed commit had given.
func forget(r *request) {
	for _, body := range r.bodies {
		*body.Identity() = record.Head{}
	}
}

func (j *Journal) setStopped(cause error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.stopped = cause
}
