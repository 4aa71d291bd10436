package fitness

import (
	"context"
	"log/slog"
	"time"

	"weighpost/gateway/follow"
	"weighpost/gateway/record"
)

// Options is what a room is made of.
type Options struct {
	Dir     string // the journal's folder
	Journal follow.Journal
	Stamp   func() record.Stamp
	Zone    *time.Location // of the site: when a day begins
	Log     *slog.Logger
	// Balances says which balances there are now, each with how it is to be looked after.
	Balances func() []Balance
	// Balance finds one of them; nil: they are searched. It is asked for with each line of each balance.
	Balance func(id string) (b Balance, ok bool)
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
	o     Options
	view  *follow.View
	began time.Time // a check that never passed is due from here on

	// The view's lock guards these.
	weights map[string]*KnownWeight
	files   map[string]*file
	minima  map[string]minimum
	shown   map[string]shown
}

// New makes a room. It does not read the journal: Run does.
func New(o Options) *Room {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	r := &Room{o: o, weights: map[string]*KnownWeight{}, files: map[string]*file{}, minima: map[string]minimum{}, shown: map[string]shown{}, began: o.Stamp().UTC.Time()}
	r.view = follow.New(follow.Options{Dir: o.Dir, Journal: o.Journal, Log: o.Log, Reduce: r.reduce, File: follow.Keep(FileName, snapshotForm, r.begin, r.snapshot),
		Words: follow.Words{What: "the fitness of balances", Tells: "fitness"}})
	return r
}

// lookEvery is how often balances are moved on.
const lookEvery = 30 * time.Second

// Run follows the journal, and moves balances into the states that the schedule has them in, until ctx ends.
func (r *Room) Run(ctx context.Context) { r.view.Run(ctx, r.look) }

// look moves balances on: at the start, and every half minute.
func (r *Room) look(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	for ctx.Err() == nil {
		if err := r.Look(ctx); err != nil && ctx.Err() == nil {
			r.o.Log.Warn("the states of balances could not be brought up to date", "err", err)
		}
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
}

// Seq is the sequence up to which entries are in what is known.
func (r *Room) Seq() uint64 { return r.view.Seq() }

// Ready says whether everything that was in the journal at the start is known.
func (r *Room) Ready() bool { return r.view.Ready() }

// Await waits until Ready says so, at most so long.
func (r *Room) Await(ctx context.Context, most time.Duration) { r.view.Await(ctx, most) }

// configured finds a balance that is configured.
func (r *Room) configured(id string) (Balance, bool) {
	if r.o.Balance != nil {
		return r.o.Balance(id)
	}
	for _, b := range r.o.Balances() {
		if b.Describe.ID == id {
			return b, true
		}
	}
	return Balance{}, false
}
