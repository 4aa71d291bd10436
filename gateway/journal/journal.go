package journal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/record"
)

// ErrStopped is wrapped by what Append returns while nothing can be recorded: the disk is full, or refuses to write. The
// cause is wrapped too. What such an Append was given is not in the journal, or is taken back before anything else is
// recorded. Only if the process dies in between, on a disk that took the entry and refused its head, does the next start
// find it there, and keep it. Recording resumes by itself.
var ErrStopped = errors.New("recording is stopped")

// ErrClosed is what every method returns after Close.
var ErrClosed = errors.New("the journal is closed")

// Options says which journal, and how.
type Options struct {
	// Dir is the journal's folder. It is made, with a new journal in it, when it holds nothing of a journal.
	Dir string
	// Existing refuses to make a journal: only one that is there is opened.
	Existing bool
	// Site is the site's name as it goes into new entries and their ids (see record.CheckName).
	Site string
	// Reserve is what SetReserve is told at first.
	Reserve uint64
	// Notice gives the entry that says that recording stopped or works again, or nil. Its stamp is the caller's. It is called
	// by the one that writes, and must neither block nor call the journal.
	Notice func(Notice) record.Body
	// Machine names the computer for good; "" where nothing is known. A journal that was last written on another one goes on as
	// another incarnation. nil: this computer.
	Machine func() string
	// OnState is told when recording stops, with the cause, and when it works again, with nil. It must not block.
	OnState func(stopped bool, cause error)
	// Log may be nil.
	Log *slog.Logger

	lost        *LostKeyOrder // the opening puts another key in the place of one that is lost
	disk        disk          // nil: the real one
	synchronous string        // "": FULL. The power-cut test shows what less would lose
	steps       []string      // nil: the schema's
	signEvery   time.Duration // 0: a minute
	idleAfter   time.Duration // 0: two seconds
	foldAt      int           // bytes of WAL, 0: foldAt
	retryMin    time.Duration // 0: 100 ms
	retryMax    time.Duration // 0: 5 s

	free func(dir string) (uint64, error) // nil: what the disk says
}

// A Journal is open for one process. Its methods may be called from any goroutine.
type Journal struct {
	o     Options
	lock  *hold
	inc   string
	begun *record.Restored // what began this life, where the opening did; nil otherwise
	read  *readers
	tail  tail
	pulse pulse

	sealing sync.Mutex    // held while entries are sealed
	reserve atomic.Uint64 // bytes; see SetReserve

	gate    sync.RWMutex // held for reading while a request is queued; closed is written under it
	closed  bool
	queue   chan *request
	nudge   chan struct{} // a cursor moved
	closing chan struct{}
	done    chan struct{}
	ended   error

	rotating sync.Mutex // one change of the key at a time

	mu      sync.Mutex
	key     signKey           // that signs
	cursors map[string]uint64 // as set; those in moved are not yet written
	goals   map[string]string // what each cursor is for, as Settle was told; all written
	notes   map[string]noted  // what Remember was told; all written
	moved   map[string]bool
	told    map[string]Acknowledgement // as set; those in toldNow are not yet written
	toldNow map[string]bool
	stopped error
}

const (
	queueLength  = 256 // Appends that wait for the writer before the next one waits for the queue
	foldPatience = 20 * time.Millisecond
)

func (o *Options) fill() {
	def := func(d *time.Duration, v time.Duration) {
		if *d == 0 {
			*d = v
		}
	}
	def(&o.signEvery, time.Minute)
	def(&o.idleAfter, 2*time.Second)
	def(&o.retryMin, 100*time.Millisecond)
	def(&o.retryMax, 5*time.Second)
	if o.disk == nil {
		o.disk = osDisk{}
	}
	if o.Machine == nil {
		o.Machine = thisMachine
	}
	if o.synchronous == "" {
		o.synchronous = "FULL"
	}
	if o.steps == nil {
		o.steps = steps
	}
	if o.foldAt == 0 {
		o.foldAt = foldAt
	}
	if o.free == nil {
		o.free = freeOn
	}
	if o.OnState == nil {
		o.OnState = func(bool, error) {}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.NewTextHandler(io.Discard, nil))
	}
}

// Open opens the journal in a folder and checks it against its head and its last 1,000 entries. Where the folder holds
// nothing of a journal, a new one is made. A damaged journal is refused with *Damaged, a newer or a locked one with a
// sentence, and in all these cases the files stay as they are. ctx bounds the opening only.
func Open(ctx context.Context, o Options) (*Journal, error) {
	o.fill()
	if err := record.CheckName(o.Site); err != nil {
		return nil, fmt.Errorf("the site's name %w", err)
	}
	if err := finishRebuild(osDisk{}, o.Dir); err != nil {
		return nil, err
	}
	if err := o.makeFolder(); err != nil {
		return nil, err
	}
	lock, err := takeLock(o.Dir)
	if err != nil {
		return nil, err
	}
	j := &Journal{
		o: o, lock: lock, moved: map[string]bool{}, toldNow: map[string]bool{},
		queue: make(chan *request, queueLength), nudge: make(chan struct{}, 1),
		closing: make(chan struct{}), done: make(chan struct{}),
	}
	j.SetReserve(o.Reserve)
	w, err := j.open(ctx)
	if err != nil {
		return nil, errors.Join(err, lock.release())
	}
	go w.run()
	return j, nil
}

// makeFolder makes the folder, unless there has to be a journal in it.
func (o *Options) makeFolder() error {
	if !o.Existing {
		if err := (osDisk{}).Mkdir(o.Dir); err != nil {
			return fmt.Errorf("the journal's folder cannot be made: %w", err)
		}
		return nil
	}
	if there, err := o.disk.Exists(in(o.Dir, dbName)); err != nil || !there {
		return fmt.Errorf("there is no journal in %s: name the folder that holds journal.db", o.Dir)
	}
	return nil
}

func (j *Journal) open(ctx context.Context) (*writer, error) {
	if err := prepare(j.o.disk, j.o.Dir, j.o.Site, j.o.synchronous); err != nil {
		return nil, err
	}
	w := &writer{j: j}
	if err := w.open(ctx); err != nil {
		return nil, err
	}
	j.inc = w.state.incarnation
	j.cursors = make(map[string]uint64, len(w.state.cursors))
	for name, seq := range w.state.cursors {
		j.cursors[name] = min(seq, w.state.edge.size)
	}
	j.goals, j.notes, j.told = w.state.goals, w.state.notes, w.state.told
	j.read = newReaders(j.o.disk, in(j.o.Dir, dbName))
	j.tail.start(w.state.edge.size)
	return w, nil
}

// Close writes what is queued and the cursors, signs a last checkpoint and lets go of the folder.
func (j *Journal) Close() error {
	j.gate.Lock()
	first := !j.closed
	j.closed = true
	j.gate.Unlock()
	if first {
		close(j.closing)
	}
	<-j.done
	if !first {
		return nil
	}
	j.tail.close()
	return errors.Join(j.ended, j.lock.release())
}

// Append records bodies in the order given, all of them or none, and returns when they are durable. It fills the Head of
// each body, which must not be touched meanwhile. Errors: ErrStopped (nothing was recorded), ErrClosed, a body that cannot
// be recorded at all, or ctx's: then the bodies had been handed over, and may be in the journal or not.
func (j *Journal) Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error) {
	if len(bodies) == 0 {
		return nil, nil
	}
	r, err := j.ask(ctx, &request{bodies: bodies})
	return r.entries, err
}

// Incarnation names this life of the journal. It is part of every id.
func (j *Journal) Incarnation() string { return j.inc }

// Head is the sequence of the last entry that is recorded.
func (j *Journal) Head() uint64 { return j.tail.head() }

// Wait returns when Head is above after, or ctx ends, or the journal is closed.
func (j *Journal) Wait(ctx context.Context, after uint64) error { return j.tail.wait(ctx, after) }

// Stopped gives the cause for which nothing can be recorded now, or nil.
func (j *Journal) Stopped() error {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.stopped
}

// ask hands a request to the writer and waits for its answer.
func (j *Journal) ask(ctx context.Context, r *request) (answer, error) {
	r.done = make(chan answer, 1)
	if err := j.enqueue(ctx, r); err != nil {
		return answer{}, err
	}
	select {
	case a := <-r.done:
		return a, a.err
	case <-ctx.Done():
		return answer{}, fmt.Errorf("handed to the journal, but not known to be recorded: %w", ctx.Err())
	}
}

func (j *Journal) enqueue(ctx context.Context, r *request) error {
	j.gate.RLock()
	defer j.gate.RUnlock()
	if j.closed {
		return ErrClosed
	}
	select {
	case j.queue <- r:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
