package samples

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
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
	Log     *slog.Logger
}

// Room knows samples. Run keeps it up to date; everything else may be called from any goroutine.
type Room struct {
	o      Options
	acting chan struct{} // holds a token while nobody announces or ends samples

	mu      sync.Mutex // a leaf: nothing is called while it is held
	known   map[string]*sample
	weighed map[pair]time.Time
	held    map[string]hold // by balance
	seq     uint64          // all entries up to it are in what is known
	id      string          // of the entry with that sequence
	goal    uint64          // the head at the start: once it is reached, what is not known was not announced
	moved   chan struct{}   // closed when seq moves
	changed bool            // since the snapshot
}

// sample is one that was announced.
type sample struct {
	record.KnownSample
	Seq uint64 `json:"seq"`
}

type pair struct{ balance, sample string }

type hold struct {
	sample string
	until  time.Time // zero: no limit
}

// New makes a room of what was written down last. It does not read the journal: Run does.
func New(o Options) *Room {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	r := &Room{o: o, acting: make(chan struct{}, 1), held: map[string]hold{}, moved: make(chan struct{})}
	r.acting <- struct{}{}
	r.forget()
	r.goal = o.Journal.Head()
	return r
}

func (r *Room) forget() {
	r.known, r.weighed, r.seq, r.id = map[string]*sample{}, map[pair]time.Time{}, 0, ""
}

const (
	chunk     = 1000
	saveEvery = 10 * time.Minute
	retry     = 2 * time.Second
)

// Run follows the journal until ctx ends.
func (r *Room) Run(ctx context.Context) {
	r.load(ctx)
	defer r.save()
	saved := time.Now()
	for ctx.Err() == nil {
		entries, err := r.o.Journal.Read(ctx, r.Seq(), chunk)
		if err == nil && len(entries) == 0 {
			err = r.o.Journal.Wait(ctx, r.Seq())
			if err == nil {
				continue
			}
		}
		if err != nil {
			if ctx.Err() == nil {
				r.o.Log.Warn("which samples are known cannot be read from the journal", "err", err)
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

// Seq is the sequence up to which entries are in what is known.
func (r *Room) Seq() uint64 {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.seq
}

// learn takes entries in their order.
func (r *Room) learn(entries []record.Entry) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, e := range entries {
		if err := r.reduce(e); err != nil {
			r.o.Log.Error("an entry that tells of samples cannot be read", "entry", e.Seq, "err", err)
		}
		r.seq, r.id = e.Seq, e.ID
	}
	close(r.moved)
	r.moved = make(chan struct{})
}

// reduce takes one entry.
func (r *Room) reduce(e record.Entry) error {
	switch e.Kind {
	case record.KindSampleAnnounced:
		var a record.SampleAnnounced
		if err := json.Unmarshal(e.JSON, &a); err != nil {
			return err
		}
		r.changed = true
		if a.Change == record.SampleEnded {
			delete(r.known, a.Sample.ID)
			return nil
		}
		r.known[a.Sample.ID] = &sample{record.KnownSample{Sample: a.Sample, Since: a.Stamp.UTC, By: a.By, Entry: e.ID}, e.Seq}
	case record.KindWeighing, record.KindResult:
		var w struct {
			Stamp   struct{ UTC record.UTC }
			Context struct{ Sample *record.Learnt }
		}
		if err := json.Unmarshal(e.JSON, &w); err != nil {
			return err
		}
		if w.Context.Sample != nil {
			r.weighedAt(e.Balance, w.Context.Sample.ID, w.Stamp.UTC.Time())
		}
	}
	return nil
}

func (r *Room) weighedAt(balance, id string, at time.Time) {
	key := pair{balance, id}
	if before, ok := r.weighed[key]; ok && !before.Before(at) {
		return
	}
	if len(r.weighed) >= mostWeighed {
		r.forgetWeighed(at)
	}
	r.weighed[key], r.changed = at, true
}

// forgetWeighed makes room: what is too old goes, and if that is not a quarter, the oldest quarter.
func (r *Room) forgetWeighed(now time.Time) {
	before := now.Add(-remembered)
	var all []time.Time
	for _, at := range r.weighed {
		all = append(all, at)
	}
	slices.SortFunc(all, time.Time.Compare)
	if quarter := all[len(all)/4]; quarter.After(before) {
		before = quarter
	}
	for key, at := range r.weighed {
		if !at.After(before) {
			delete(r.weighed, key)
		}
	}
}

// Sample gives what was announced of a sample. ready is false as long as that is still being read.
func (r *Room) Sample(id string) (s record.KnownSample, known, ready bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if one := r.known[id]; one != nil {
		return one.KnownSample, true, r.seq >= r.goal
	}
	return s, false, r.seq >= r.goal
}

// Hold says that a balance holds a sample until a time, in place of the one that it held; see intake.Samples.
func (r *Room) Hold(balance, id string, until, at time.Time) (others []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if id == "" {
		delete(r.held, balance)
		return nil
	}
	for other, h := range r.held {
		if other != balance && h.sample == id && (h.until.IsZero() || at.Before(h.until)) {
			others = append(others, other)
		}
	}
	r.held[balance] = hold{id, until}
	slices.Sort(others)
	return others
}

// Weighed says that a sample was weighed at a balance.
func (r *Room) Weighed(balance, id string, at time.Time) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.weighedAt(balance, id, at)
}

// WeighedAt gives when a sample was weighed at a balance last, or zero.
func (r *Room) WeighedAt(balance, id string) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.weighed[pair{balance, id}]
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
			return fmt.Errorf("which samples are known is still being read from the journal: try again in a moment (%w)", ctx.Err())
		}
	}
}
