// Package deliver brings entries from the journal to one sink: it reads after the sink's cursor, cuts batches, tries again,
// parks what is refused for good, and stops a sink that cannot be used. Sinks classify what went wrong; nothing else here or
// there retries.
//
// What is promised for each sink, as long as the journal is whole:
//
//   - every entry of a wanted kind is delivered at least once, with the same id and bytes each time, or parked;
//   - first attempts are in the order of the journal, so in order for each balance; a parked entry arrives later or never;
//   - nothing here can slow or stop recording, and one sink cannot slow another.
//
// A cursor moves only past entries that the sink has accepted, that are parked, or that are of no wanted kind. It is written
// lazily: after a crash some entries come again, with the same id.
//
// A cursor belongs to the id of the sink and was reached for one destination, which the journal remembers beside it. A sink
// that comes back with another destination is refused until its configuration says what that means (see Plan).
package deliver

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"slices"
	"sync"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Log is what a Runner needs of the journal. Its methods may be called by several Runners at once.
type Log interface {
	Head() uint64
	// Read gives up to max entries after a sequence, in order; none when there are none yet.
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	// Wait returns nil once Head is above after.
	Wait(ctx context.Context, after uint64) error
	// Cursor is the last sequence that is done with for a name, 0 for a name never seen.
	Cursor(name string) (uint64, error)
	SetCursor(name string, seq uint64) error
	// Goal is what a name's place was reached for, as Settle was told; "" where it never was.
	Goal(name string) (string, error)
	// Settle sets the place of a name, also back, and notes what it is for; with the bodies that is one commit. Entries after
	// seq come again: none of them is set aside any more.
	Settle(ctx context.Context, name string, seq uint64, goal string, bodies ...record.Body) error
	// SetAside counts what Park remembers for a name, and gives the sequence of the newest entry that says so.
	SetAside(name string) (n int, notice uint64, err error)
	// Parked lists what Park remembers for a name, in the order of the journal.
	Parked(name string) ([]record.SetAside, error)
	// Unpark forgets what Park remembers of entries, in one commit with the bodies. With bodies it is an error if one of them is not parked.
	Unpark(ctx context.Context, name string, seqs []uint64, bodies ...record.Body) error
	// ParkAgain has Park remember entries that it remembers by another notice, the body, in one commit.
	ParkAgain(ctx context.Context, name string, seqs []uint64, body record.Body) error
	// Park records that an entry was refused, remembers it, and moves the cursor past it, all in one commit.
	Park(ctx context.Context, name string, e record.Entry, body *record.Parked) error
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
	// Remember keeps a text under a name, durably and in one commit with the bodies; "" forgets it.
	Remember(ctx context.Context, name, text string, bodies ...record.Body) error
	// Remembered gives it back, and the sequence of the first body that came with it.
	Remembered(name string) (text string, seq uint64, err error)
	// Released gives, for each entry, the sequence of the first held-released entry that names it: 0 where there is none.
	Released(ctx context.Context, seqs []uint64) ([]uint64, error)
	// Checkpoint gives the newest signed note of the journal's head, and the sequence that it covers.
	Checkpoint(ctx context.Context) (seq uint64, signedNote []byte, err error)
	// Acknowledged notes that the checkpoint of so many entries is at the destination, and since when.
	Acknowledged(name string, seq uint64, at time.Time) error
}

// Deps is what a Runner takes from the daemon.
type Deps struct {
	Board *health.Board
	Stamp func() record.Stamp // stamps what the Runner itself records
	// Live is the continuous stream, for a sink that carries it; nil for none. The Runner reads it until it ends.
	Live <-chan record.Live
	// Destination is what the sink's configuration says of where it delivers to. It is held against the destination for which
	// the sink's place was reached. Empty: the place is taken as it is.
	Destination string
	Log         *slog.Logger // nil: nothing is logged
}

const (
	// refusalsToStop in a row say that the fault is the sink's rather than the entries'.
	refusalsToStop  = 5
	checkpointEvery = time.Minute
	// grace is how long a delivery under way may go on after the Runner is told to end.
	grace = time.Second
)

// Runner delivers to one sink.
type Runner struct {
	log  Log
	sink sinks.Sink
	cfg  Config
	deps Deps
	// beyond is what a failure may come from: the far side that other sinks share, and the network before it.
	beyond []health.Ref
	routes // of the configuration

	// These belong to the goroutine in Run.
	cursor     uint64    // done with, up to here
	reading    reading   // looked at, up to here
	pending    []due     // not yet taken by the sink, up to reading
	since      time.Time // when pending[0] was read
	open       gathering // of a sink that takes closed batches, which has no pending entries
	plan       *planned  // the batch that is closed, and not collected yet
	closing    closing
	partly     partly    // found at the start
	closedUpTo time.Time // end of the latest period of a closed batch
	tries      int       // failures in a row
	refusals   int       // entries refused in a row
	misread    int       // failures in a row to read the journal
	stopped    bool
	rejected   bool          // stopped for refusals in a row: only an accepted entry ends that
	owed       []record.Body // what happened to the sink and is not yet recorded
	told       uint64        // sequence of the last checkpoint handed over
	nextTell   time.Time

	// counting is held from a change of what is parked to the count of it, and taken before mu.
	counting sync.Mutex

	deciding sync.Mutex // held while somebody pauses or continues, and taken before mu

	mu        sync.Mutex
	status    Status
	again     again
	paused    *PausedBy     // nil: not paused
	turned    chan struct{} // closed when that changes
	abort     func()        // ends what is under way
	lookedAt  uint64        // how far the sink has read
	releasing bool          // and that it is within a release there
	rate      rate

	counted counted // what those who asked have counted
	oldest  due     // of the entries that the sink has not had
}

// New makes a Runner. The configuration has been checked; the sink belongs to the Runner from now on.
func New(log Log, sink sinks.Sink, cfg Config, deps Deps) *Runner {
	if deps.Log == nil {
		deps.Log = slog.New(slog.DiscardHandler)
	}
	deps.Log = deps.Log.With("sink", cfg.ID)
	r := &Runner{log: log, sink: sink, cfg: cfg, deps: deps, routes: routesOf(cfg), turned: make(chan struct{})}
	if f, ok := sink.(sinks.Farther); ok {
		if far := f.Far(); far != "" {
			host, _, _ := net.SplitHostPort(far)
			r.beyond = append([]health.Ref{{Code: health.DestinationGone, Subject: far}}, health.Through(host)...)
		}
	}
	r.closing, _ = closingOf(cfg.Closed)
	r.status, r.rate.since = Status{Sink: cfg.ID, State: Working}, time.Now()
	r.again.underWay, r.again.held = make(map[uint64]bool), make(map[uint64]bool)
	return r
}

// Run delivers until ctx ends, and then closes the sink; that is no error. It returns early, with an error, only when the
// journal can no longer be used: it was closed, or it ends before the sink's cursor.
func (r *Runner) Run(ctx context.Context) (err error) {
	Forget(r.deps.Board, r.cfg.ID)
	r.recallPause(ctx)
	r.recallPartly()
	settled, err := r.settle(ctx)
	if !settled {
		r.close() // at once: a destination that was refused is not to be touched
		<-ctx.Done()
		return err
	}
	defer r.close()
	if err != nil {
		return err
	}
	if err := r.recallBatch(ctx); err != nil {
		return fmt.Errorf("sink %s: %w", r.cfg.ID, err)
	}
	if _, ok := r.sink.(sinks.Collector); !ok && r.closing.on() {
		r.notACollector()
		<-ctx.Done()
		return nil
	}
	r.raiseSetAside(ctx)
	r.recallParked(ctx)
	r.runs(true)
	defer r.runs(false)

	streaming := r.stream(ctx)
	defer streaming.Wait()
	for ctx.Err() == nil {
		if err := r.round(ctx); err != nil && ctx.Err() == nil {
			return fmt.Errorf("sink %s: %w", r.cfg.ID, err)
		}
	}
	r.lastCheckpoint(ctx)
	return nil
}

// close lets go of the sink.
func (r *Runner) close() {
	if err := r.sink.Close(); err != nil {
		r.deps.Log.Warn("the sink did not close in good order", "error", err)
	}
}

// round does one thing: it waits for entries, or delivers a batch and waits as long as its outcome asks for. An error means
// that the journal is closed.
func (r *Runner) round(ctx context.Context) error {
	r.recordOwed(ctx)
	more, err := r.look(ctx)
	if err != nil {
		return r.unreadable(ctx, err)
	}
	r.misread = 0
	r.deps.Board.Clear(CodeUnreadable, r.cfg.ID)
	if r.rest(ctx) {
		return nil
	}
	if r.tries == 0 && !r.stopped {
		r.checkpoint(ctx)
	}
	if did, wait, err := r.deliverAgain(ctx); err != nil {
		return r.unreadable(ctx, err)
	} else if did && (wait > 0 || !r.due()) {
		r.pause(ctx, wait)
		return nil
	}
	if r.closing.on() {
		return r.roundClosed(ctx, more)
	}
	if wait := r.unripe(); wait > 0 || len(r.pending) == 0 {
		return r.idle(ctx, wait)
	}
	r.pause(ctx, r.attempt(ctx))
	return nil
}

// look reads on: to the end of a batch, or as far as the sink takes entries at once.
func (r *Runner) look(ctx context.Context) (more bool, err error) {
	if r.closing.on() {
		return r.gather(ctx)
	}
	return false, r.fill(ctx)
}

// due says whether there is something to hand over, whoever asks.
func (r *Runner) due() bool { return len(r.pending) > 0 || r.plan != nil }

// attempt makes one delivery and returns how long to wait before the next.
func (r *Runner) attempt(ctx context.Context) time.Duration {
	batch := entriesOf(r.pending)
	if r.stopped {
		batch = batch[:1]
	}
	r.hurried(true)
	n, err := r.try(ctx, batch)
	if !r.recordAnswers(ctx, r.answers(batch, n)) {
		return 0
	}
	r.advance(n)
	if err != nil && r.cut(ctx) {
		return 0
	}
	return r.judge(ctx, err)
}

// cut says whether a delivery was ended from here, which is no failure of the sink.
func (r *Runner) cut(ctx context.Context) bool { return ctx.Err() != nil || r.pausedBy() != nil }

// try hands entries to the sink. The delivery has a deadline of its own, and a moment to end well when the daemon stops.
func (r *Runner) try(ctx context.Context, batch []record.Entry) (n int, err error) {
	if r.pausedBy() != nil { // since the round began: nothing new is begun
		return 0, ErrPaused
	}
	dctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), r.cfg.Deadline.D())
	defer cancel()
	defer r.endSoon(ctx, cancel)()
	n, err = r.hand(dctx, batch)
	if n > 0 && errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		err = nil // slow, but it gets on
	}
	return n, err
}

// endSoon has a delivery under way end, with a moment to end well, when the Runner is to end or is paused. What it returns is to be
// called after the delivery.
func (r *Runner) endSoon(ctx context.Context, cancel func()) func() {
	going, end := r.unlessPaused(ctx)
	over := make(chan struct{})
	stop := context.AfterFunc(going, func() {
		timer := time.NewTimer(grace)
		defer timer.Stop()
		select {
		case <-timer.C:
			cancel()
		case <-over:
		}
	})
	return func() { stop(); close(over); end() }
}

// hand calls the sink and makes sure that what it says can be used.
func (r *Runner) hand(ctx context.Context, batch []record.Entry) (n int, err error) {
	defer func() {
		if p := recover(); p != nil {
			n, err = 0, fmt.Errorf("the sink failed inside (please report this): %v", p)
			r.deps.Log.Error("the sink panicked", "panic", p)
		}
	}()
	n, err = r.sink.Deliver(ctx, batch)
	switch {
	case n < 0 || n > len(batch):
		return 0, fmt.Errorf("the sink says that it accepted %d of %d entries (please report this)", n, len(batch))
	case n == len(batch):
		return n, nil
	case err == nil:
		return n, fmt.Errorf("the sink accepted %d of %d entries and does not say why", n, len(batch))
	}
	return n, err
}

// advance moves the cursor past the first n pending entries.
func (r *Runner) advance(n int) {
	if n == 0 {
		return
	}
	r.passed(n)
	r.tries, r.refusals, r.since = 0, 0, time.Now()
	r.first()
	r.keepCursor()
	r.delivered(uint64(n))
}

// delivered counts what the sink took.
func (r *Runner) delivered(n uint64) {
	now := time.Now()
	r.show(func(s *Status) { s.Delivered, s.LastSuccess = s.Delivered+n, now; r.rate.add(n, now) })
}

// passed takes the first n pending entries off the list.
func (r *Runner) passed(n int) {
	r.cursor = r.pending[n-1].done
	r.pending = slices.Delete(r.pending, 0, n) // not sliced: the bytes of what has gone are of no more use
	if len(r.pending) == 0 {
		r.cursor = r.reading.at // what follows is not due
	}
}

// entriesOf gives the entries themselves.
func entriesOf(list []due) []record.Entry {
	entries := make([]record.Entry, len(list))
	for i, d := range list {
		entries[i] = d.entry
	}
	return entries
}

// keepCursor hands the cursor to the journal. A failure costs only that entries come again after a restart.
func (r *Runner) keepCursor() {
	r.show(func(s *Status) { s.Cursor = r.cursor })
	if err := r.log.SetCursor(r.cfg.ID, r.cursor); err != nil {
		r.deps.Log.Warn("the place in the journal was not kept; after a restart some entries come again", "error", err)
	}
}

// pause waits until the sink may be tried again, or somebody asks for that.
func (r *Runner) pause(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	r.show(func(s *Status) { s.NextTry = time.Now().Add(d) })
	defer r.show(func(s *Status) { s.NextTry = time.Time{} })
	wctx, end := r.interruptible(ctx, true)
	defer end()
	pause(wctx, d)
}

func pause(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
