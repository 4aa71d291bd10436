package journal

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/record"
)

// request is what the writer is asked to do: append, append and park, settle or seal, unpark, drop, or sign.
type request struct {
	bodies []record.Body
	park   *parkOrder // its notice is the first body
	settle *settleOrder
	unpark *unparkOrder
	seal   *sealOrder // the entry that tells of it is the first body
	drop   *dropOrder
	note   *noteOrder
	sign   bool
	rotate *rotateOrder // the entry that says so is among the bodies
	halt   *Damaged     // stop for good afterwards

	verified string // how far a pass of verifying came

	state bool        // the answer tells what Snapshot needs
	done  chan answer // has room for the one answer
}

type answer struct {
	entries []record.Entry
	seq     uint64 // entries covered by note
	note    []byte
	origin  string            // these two where the state was asked for
	numbers map[string]uint64 // balance → number last given up to seq
	parked  []SavedParked     // up to seq
	err     error
}

// writer is the one goroutine that writes. Nothing here is shared but through Journal's own locks.
type writer struct {
	j     *Journal
	store *store
	head  headFile
	state state // as of the last acknowledgement; a failed commit never touches it
	// wasParked is how entries were parked that the commit in hand, or one that failed and is not undone yet, changes.
	wasParked []parkOrder

	stopped error
	reopen  bool // the files must be opened and checked again before anything is written
	backoff time.Duration
	folded  int // WAL pages at the last fold that did not empty it
	pace    pace
	room    room
	since   time.Time // when recording stopped
	halted  bool      // it stays stopped

	due [chores]time.Time // zero: not due
}

// What the writer does without being asked.
const (
	choreCursors = iota // cursors that moved while nothing was appended
	choreFold           // the WAL, when idle
	choreSign           // a checkpoint, while the head moves
	choreRetry          // to record again, while stopped
	chores
)

// batchBodies bounds one commit. More than that waits for the next.
const batchBodies = 1024

// run serves requests and chores until the journal is closed.
func (w *writer) run() {
	defer close(w.j.done)
	defer w.j.pulse.rest()
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		timer.Reset(w.untilDue())
		w.j.pulse.rest()
		select {
		case r := <-w.j.queue:
			w.j.pulse.work()
			w.serve(w.linger(w.gather([]*request{r})))
		case <-timer.C:
			w.j.pulse.work()
			w.doChores(time.Now())
		case <-w.j.nudge:
			w.schedule(choreCursors, w.j.o.idleAfter)
		case <-w.j.closing:
			w.j.pulse.work()
			w.finish()
			return
		}
	}
}

// gather takes along what else is queued.
func (w *writer) gather(reqs []*request) []*request {
	n := 0
	for _, r := range reqs {
		n += len(r.bodies)
	}
	for n < batchBodies {
		select {
		case r := <-w.j.queue:
			reqs, n = append(reqs, r), n+len(r.bodies)
		default:
			return reqs
		}
	}
	return reqs
}

// linger waits a little for more where that is worth it.
func (w *writer) linger(reqs []*request) []*request {
	wait := w.pace.wait(len(reqs), time.Now())
	if wait > 0 && w.stopped == nil {
		first := len(reqs)
		for end := time.Now().Add(wait); wait > 0; wait = time.Until(end) {
			select {
			case <-time.After(min(wait, paceQuiet)):
			case <-w.j.closing:
			}
			before := len(reqs)
			if reqs = w.gather(reqs); len(reqs) == before || len(reqs) >= paceEnough {
				break
			}
		}
		w.pace.learn(len(reqs) - first)
	}
	w.pace.began = time.Now()
	return reqs
}

func (w *writer) serve(reqs []*request) {
	if w.stopped == nil {
		if err := w.look(time.Now()); err != nil {
			w.stop(err)
		}
	}
	if w.stopped != nil {
		for _, r := range reqs {
			r.done <- answer{err: fmt.Errorf("%w: %w", ErrStopped, w.stopped)}
		}
		return
	}
	w.commit(w.stageKeys(reqs))
	for _, r := range reqs {
		if r.halt != nil && !w.halted {
			w.halt(r.halt)
		}
		if r.verified != "" && w.stopped == nil {
			if err := w.noteVerified(r.verified); err != nil {
				w.stop(explain(err))
			}
		}
	}
	w.j.pulse.work()
	if w.stopped == nil && w.store.walPages*pageSize >= w.j.o.foldAt && w.store.walPages >= w.folded+w.j.o.foldAt/pageSize/4 {
		w.fold(false)
	}
}

func (w *writer) schedule(chore int, after time.Duration) {
	if w.due[chore].IsZero() {
		w.due[chore] = time.Now().Add(after)
	}
}

func (w *writer) untilDue() time.Duration {
	wait := time.Hour
	for chore, at := range w.due {
		if !at.IsZero() && (w.stopped == nil || chore == choreRetry) {
			wait = min(wait, max(0, time.Until(at)))
		}
	}
	return wait
}

func (w *writer) doChores(now time.Time) {
	ready := func(chore int) bool {
		if at := w.due[chore]; at.IsZero() || now.Before(at) {
			return false
		}
		w.due[chore] = time.Time{}
		return true
	}
	if ready(choreRetry) {
		w.retry()
	}
	if w.stopped != nil {
		return
	}
	sign, cursors := ready(choreSign), ready(choreCursors)
	if sign {
		w.commit([]*request{{sign: true, done: make(chan answer, 1)}})
	} else if cursors {
		w.commit(nil)
	}
	if w.stopped == nil && ready(choreFold) {
		w.fold(false)
	}
}

// fold copies the WAL back. That it fails loses nothing, but after an error of the disk the next commit cannot be trusted.
func (w *writer) fold(everything bool) {
	if w.store.walPages == 0 {
		return
	}
	_, err := w.store.fold(everything)
	w.folded = w.store.walPages
	if err != nil {
		w.j.o.Log.Warn("the journal's WAL could not be copied back", "dir", w.j.o.Dir, "error", err)
		if !harmless(err) {
			w.stop(explain(err))
			return
		}
		w.schedule(choreFold, w.j.o.retryMax)
	}
}

// finish ends the writer: what is queued, cursors, a last checkpoint, the WAL.
func (w *writer) finish() {
	for {
		w.j.pulse.work()
		select {
		case r := <-w.j.queue:
			w.serve(w.gather([]*request{r}))
			continue
		default:
		}
		break
	}
	if w.stopped == nil {
		w.commit([]*request{{sign: true, done: make(chan answer, 1)}})
	}
	if w.stopped == nil {
		w.fold(true)
	}
	if w.stopped != nil {
		w.j.ended = fmt.Errorf("the journal in %s was closed while recording was stopped: %w", w.j.o.Dir, w.stopped)
	}
	w.j.ended = errors.Join(w.j.ended, w.closeFiles())
}

// closeFiles closes everything that is open.
func (w *writer) closeFiles() error {
	if w.j.read != nil {
		w.j.read.mu.Lock()
		defer w.j.read.mu.Unlock()
		w.j.read.closeIdle()
	}
	err := w.store.close()
	if w.head.file != nil {
		err = errors.Join(err, w.head.file.Close())
		w.head.file = nil
	}
	return err
}

// open opens the files for the first time.
func (w *writer) open(ctx context.Context) (err error) {
	o := &w.j.o
	s, head, v, err := inspect(ctx, o.disk, o.Dir, len(o.steps))
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(fmt.Errorf("the journal in %s cannot be opened: %w", o.Dir, err), w.closeFiles())
		}
	}()
	if s.marked != "" {
		if err := reexamine(ctx, o.disk, o.Dir, s.marked); err != nil {
			return err
		}
	}
	key, keyErr := settleKey(o.disk, o.Dir, &s)
	if keyErr != nil && o.lost == nil {
		return keyErr
	}
	w.j.setKey(key)
	if what := keyRights(o.disk, o.Dir); what != "" {
		o.Log.Warn(what)
	}
	if err := w.openFiles(v); err != nil {
		return err
	}
	if s.marked != "" {
		if err := w.unmark(); err != nil {
			return err
		}
	}
	w.state, w.head.last = s, head
	if s.edge.size != head.seq {
		err = w.catchUp()
	}
	if err == nil && o.lost != nil {
		err = w.replaceKey(o.lost, keyErr == nil)
	}
	if err == nil {
		err = w.settleMachine()
	}
	return err
}

// catchUp has the head say all that journal.db holds.
func (w *writer) catchUp() error {
	s := &w.state
	w.head.last.incarnation = s.incarnation // another life may have been begun, and the head not written
	// Entries that were committed but not acknowledged before a kill are kept. They may not be on the disk yet.
	root, err := s.edge.root()
	done := false
	if err == nil {
		done, err = w.store.fold(true)
	}
	if err == nil && !done {
		err = w.probe() // someone reads: a commit syncs the WAL
	}
	if err == nil {
		err = w.head.write(s.edge.size, root)
	}
	return err
}

// openFiles opens journal.db, of this version, and head.
func (w *writer) openFiles(from int) (err error) {
	o := &w.j.o
	if w.store, err = openStore(o.disk, in(o.Dir, dbName), o.synchronous); err != nil {
		return err
	}
	if err = migrate(w.store.db, from, o.steps); err != nil {
		return err
	}
	if err = w.store.prepare(); err != nil {
		return err
	}
	w.head.file, err = o.disk.Open(in(o.Dir, headName), 0o640)
	return err
}
