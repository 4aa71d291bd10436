// Package follow keeps a view of the journal: what a room knows is what the entries add up to, in their order, and nothing else. A View
// hands the entries to the room one after the other, says how far it has come, has whoever changes something act alone and upon all that
// was done before, and now and then writes down what is known in a file beside the journal, so that a start need not read millions of
// entries. That file can be deleted at any time: where it is missing, damaged or of another journal, the journal is read instead.
//
// It knows neither what an entry means nor what a room keeps of it.
package follow

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"sync"
	"sync/atomic"
	"time"

	"weighpost/gateway/record"
)

// Journal is what a view needs of the journal.
type Journal interface {
	Head() uint64
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	// Wait returns once there is an entry after a sequence, or with the error of ctx.
	Wait(ctx context.Context, after uint64) error
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Options is what a view is made of.
type Options struct {
	Dir     string // the journal's folder, for File
	Journal Journal
	Log     *slog.Logger // nil: nothing is logged
	Words   Words
	// Reduce takes one entry, in their order, with the view locked. An entry that it cannot read is logged and passed over.
	Reduce func(e record.Entry) error
	File   File // what is known is written down there; the zero value: nowhere
}

// View follows the journal. Run does so; everything else may be called from any goroutine. The lock guards what the room knows: it is a
// leaf, nothing but Seq, Ready and Changed is called while it is held.
type View struct {
	o      Options
	acting chan struct{} // holds a token while nobody acts
	goal   uint64        // the head at the start

	mu      sync.Mutex
	seq     atomic.Uint64 // all entries up to it are in what is known; moves with the lock held
	id      string        // of the entry with that sequence
	moved   chan struct{} // closed when seq moves
	changed bool          // since the snapshot
}

// New makes a view. It does not read the journal: Run does.
func New(o Options) *View {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	v := &View{o: o, acting: make(chan struct{}, 1), goal: o.Journal.Head(), moved: make(chan struct{})}
	v.acting <- struct{}{}
	return v
}

const (
	chunk     = 1000 // entries read at once
	saveEvery = 10 * time.Minute
	retry     = 2 * time.Second
)

// Run begins with what was written down last, and follows the journal until ctx ends; then it writes down what is known. What goes on
// beside it begins once that was read, and has to end with ctx: Run waits for it.
func (v *View) Run(ctx context.Context, beside ...func(ctx context.Context)) {
	v.load(ctx)
	var helpers sync.WaitGroup
	for _, f := range beside {
		helpers.Go(func() { f(ctx) })
	}
	defer helpers.Wait()
	defer v.save()
	saved := time.Now()
	for ctx.Err() == nil {
		entries, err := v.o.Journal.Read(ctx, v.Seq(), chunk)
		if err == nil && len(entries) == 0 {
			if err = v.o.Journal.Wait(ctx, v.Seq()); err == nil {
				continue
			}
		}
		if err != nil {
			if ctx.Err() == nil {
				v.o.Log.Warn(v.o.Words.unread(), "err", err)
				pause(ctx, retry)
			}
			continue
		}
		v.learn(entries)
		if time.Since(saved) > saveEvery {
			v.save()
			saved = time.Now()
		}
	}
}

func pause(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

func (v *View) learn(entries []record.Entry) {
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, e := range entries {
		if err := v.o.Reduce(e); err != nil {
			v.o.Log.Error(v.o.Words.unclear(), "entry", e.Seq, "err", err)
		}
		v.seq.Store(e.Seq)
		v.id = e.ID
	}
	close(v.moved)
	v.moved = make(chan struct{})
}

// Lock is for who looks at what is known, or changes it.
func (v *View) Lock() { v.mu.Lock() }

// Unlock ends that.
func (v *View) Unlock() { v.mu.Unlock() }

// Changed notes that something is known now which is worth writing down. The caller holds the lock.
func (v *View) Changed() { v.changed = true }

// Into hands an entry on as what its kind is, and notes that what is known changes by it. The view is locked.
func Into[T any](v *View, e record.Entry, take func(*T) error) error {
	one := new(T)
	if err := json.Unmarshal(e.JSON, one); err != nil {
		return err
	}
	v.Changed()
	return take(one)
}

// Seq is the sequence up to which entries are in what is known.
func (v *View) Seq() uint64 { return v.seq.Load() }

// Ready says whether everything that was in the journal at the start is known: what is not known then, was never said.
func (v *View) Ready() bool { return v.Seq() >= v.goal }

// Await waits until Ready says so, at most so long.
func (v *View) Await(ctx context.Context, most time.Duration) {
	limit, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	_ = v.Reached(limit, v.goal)
}

// Reached waits until all entries up to a sequence are in what is known. The error is a sentence around that of ctx.
func (v *View) Reached(ctx context.Context, seq uint64) error {
	for {
		v.mu.Lock()
		moved, done := v.moved, v.Seq() >= seq
		v.mu.Unlock()
		if done {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return fmt.Errorf("%s is still being read from the journal: try again in a moment (%w)", v.o.Words.What, ctx.Err())
		}
	}
}

// Take waits until nobody else acts, and until all that was done is known. done lets the next one act. The error is a sentence around
// that of ctx.
func (v *View) Take(ctx context.Context) (done func(), err error) {
	select {
	case <-v.acting:
	case <-ctx.Done():
		return nil, fmt.Errorf("%s: try again in a moment (%w)", v.o.Words.busy(), ctx.Err())
	}
	if err := v.Reached(ctx, v.o.Journal.Head()); err != nil {
		v.acting <- struct{}{}
		return nil, err
	}
	return func() { v.acting <- struct{}{} }, nil
}

// Append writes entries, all or none, and waits until they are known here. Where there are none it does nothing. An error without entries
// is that of the journal; one with entries says that they are durable and not known here yet.
func (v *View) Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error) {
	if len(bodies) == 0 {
		return nil, nil
	}
	entries, err := v.o.Journal.Append(ctx, bodies...)
	if err != nil {
		return nil, err
	}
	return entries, v.Reached(ctx, entries[len(entries)-1].Seq)
}
