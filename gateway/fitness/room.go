package fitness

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"weighpost/gateway/record"
)

// Journal is what the room needs of the journal.
type Journal interface {
	Head() uint64
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	// Wait returns once there is an entry after a sequence, or with the error of ctx.
	Wait(ctx context.Context, after uint64) error
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// Options is what a room is made of.
type Options struct {
	Dir     string // the journal's folder
	Journal Journal
	Stamp   func() record.Stamp
	Zone    *time.Location // of the site: when a day begins
	Log     *slog.Logger
	// Balances says which balances there are now, each with how it is to be looked after.
	Balances func() []Balance
	// Changed is called, without any lock held, after a balance has come into another state.
	Changed func(balance string, now record.Fitness)
}

// Balance is one that is configured.
type Balance struct {
	Describe record.Balance
	Config   Config
}

// Room knows reference weights and the fitness of balances. Run keeps it up to date; everything else may be called from any goroutine.
type Room struct {
	o      Options
	acting chan struct{} // holds a token while nobody acts
	began  time.Time     // a check that never passed is due from here on

	mu      sync.Mutex // a leaf: nothing is called while it is held
	weights map[string]*KnownWeight
	files   map[string]*file
	minima  map[string]minimum
	seq     uint64
	id      string // of the entry with that sequence
	goal    uint64 // the head at the start: until it is reached, nothing is said to be unknown
	moved   chan struct{}
	changed bool // since the snapshot
}

// New makes a room. It does not read the journal: Run does.
func New(o Options) *Room {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	r := &Room{o: o, acting: make(chan struct{}, 1), weights: map[string]*KnownWeight{}, files: map[string]*file{}, minima: map[string]minimum{}, moved: make(chan struct{})}
	r.acting <- struct{}{}
	r.began, r.goal = o.Stamp().UTC.Time(), o.Journal.Head()
	return r
}

const (
	chunk     = 1000
	saveEvery = 10 * time.Minute
	lookEvery = 30 * time.Second
	retry     = 2 * time.Second
)

// Run follows the journal, and moves balances into the states that the schedule has them in, until ctx ends.
func (r *Room) Run(ctx context.Context) {
	r.load(ctx)
	var helpers sync.WaitGroup
	helpers.Go(func() { r.look(ctx) })
	defer helpers.Wait()
	defer r.save()
	saved := time.Now()
	for ctx.Err() == nil {
		entries, err := r.o.Journal.Read(ctx, r.Seq(), chunk)
		if err == nil && len(entries) == 0 {
			if err = r.o.Journal.Wait(ctx, r.Seq()); err == nil {
				continue
			}
		}
		if err != nil {
			if ctx.Err() == nil {
				r.o.Log.Warn("the fitness of balances cannot be read from the journal", "err", err)
				pause(ctx, retry)
			}
			continue
		}
		r.learn(entries)
		if time.Since(saved) > saveEvery {
			r.save()
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

// look moves balances on: at the start, and every half minute.
func (r *Room) look(ctx context.Context) {
	for ctx.Err() == nil {
		if err := r.Look(ctx); err != nil && ctx.Err() == nil {
			r.o.Log.Warn("the states of balances could not be brought up to date", "err", err)
		}
		pause(ctx, lookEvery)
	}
}

// Seq is the sequence up to which entries are in what is known.
func (r *Room) Seq() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.seq
}

// Ready says whether everything that was in the journal at the start is known.
func (r *Room) Ready() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.seq >= r.goal
}

// Await waits until Ready says so, at most so long.
func (r *Room) Await(ctx context.Context, most time.Duration) {
	limit, cancel := context.WithTimeout(ctx, most)
	defer cancel()
	r.mu.Lock()
	goal := r.goal
	r.mu.Unlock()
	_ = r.reached(limit, goal)
}

func (r *Room) learn(entries []record.Entry) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, e := range entries {
		if err := r.reduce(e); err != nil {
			r.o.Log.Error("an entry that tells of fitness cannot be read", "entry", e.Seq, "err", err)
		}
		r.seq, r.id = e.Seq, e.ID
	}
	close(r.moved)
	r.moved = make(chan struct{})
}

// reached waits until all entries up to a sequence are in what is known.
func (r *Room) reached(ctx context.Context, seq uint64) error {
	for {
		r.mu.Lock()
		moved, done := r.moved, r.seq >= seq
		r.mu.Unlock()
		if done {
			return nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return fmt.Errorf("the fitness of balances is still being read from the journal: try again in a moment (%w)", ctx.Err())
		}
	}
}

// take waits until nobody else acts, and until all that was done is known.
func (r *Room) take(ctx context.Context) (done func(), err error) {
	select {
	case <-r.acting:
	case <-ctx.Done():
		return nil, fmt.Errorf("somebody else is changing the same: try again in a moment (%w)", ctx.Err())
	}
	if err := r.reached(ctx, r.o.Journal.Head()); err != nil {
		r.acting <- struct{}{}
		return nil, err
	}
	return func() { r.acting <- struct{}{} }, nil
}

// append writes entries, and waits until they are known here. Without any it only waits for what was taken.
func (r *Room) append(ctx context.Context, bodies ...record.Body) error {
	if len(bodies) == 0 {
		return nil
	}
	entries, err := r.o.Journal.Append(ctx, bodies...)
	if err != nil {
		return err
	}
	return r.reached(ctx, entries[len(entries)-1].Seq)
}

// configured finds a balance that is configured.
func (r *Room) configured(id string) (Balance, bool) {
	for _, b := range r.o.Balances() {
		if b.Describe.ID == id {
			return b, true
		}
	}
	return Balance{}, false
}
