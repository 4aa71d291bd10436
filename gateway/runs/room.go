package runs

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"weighpost/gateway/follow"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
)

// Lab is what the room asks of the lab around it. Its methods do not wait, and do not call the room.
type Lab interface {
	// Facts are those of a balance as it is now; known is false where no balance of that id is configured. Container and Late are the room's own.
	Facts(balance string) (f procedure.Facts, known bool)
	// Ready says whether it is known how balances are. Until then nothing is decided that rests on it.
	Ready() bool
}

// Options is what a room is made of.
type Options struct {
	Dir         string // the journal's folder
	Journal     follow.Journal
	Incarnation string // of the journal: it begins the numbers of runs
	Stamp       func() record.Stamp
	Log         *slog.Logger
	Config      func() Config
	Lab         Lab
	// Moved is called, without any lock held and from the goroutine that looks after runs, after something has changed about open runs.
	Moved func()
}

// Room knows procedures and runs. Run keeps it up to date; everything else may be called from any goroutine.
type Room struct {
	o    Options
	view *follow.View
	wake chan struct{} // there may be something to do for open runs

	// All of these are guarded by the view's lock.
	procedures map[string]*file
	open       map[string]*openRun
	ended      []*Ended          // newest last
	endedBy    map[string]*Ended // those, by id
	strays     []stray           // weighings of runs that had ended
	number     uint64            // of the last run of this incarnation
	requests   requestsKnown
	containers containersKnown
	slips      slipsKnown
}

// New makes a room. It does not read the journal: Run does.
func New(o Options) *Room {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Moved == nil {
		o.Moved = func() {}
	}
	r := &Room{o: o, wake: make(chan struct{}, 1)}
	r.blank()
	r.view = follow.New(follow.Options{Dir: o.Dir, Journal: o.Journal, Log: o.Log, Reduce: r.reduce,
		Words: follow.Words{What: "the state of runs", Of: "procedures and runs", Many: true},
		File:  follow.Keep(FileName, snapshotForm, r.take, r.give)})
	return r
}

// blank is a room that knows nothing.
func (r *Room) blank() {
	r.procedures, r.open, r.endedBy = map[string]*file{}, map[string]*openRun{}, map[string]*Ended{}
	r.ended, r.strays, r.number = nil, nil, 0
	r.requests, r.containers, r.slips = newRequests(), newContainers(), newSlips()
}

// Run follows the journal, and does for open runs what is to be done of itself, until ctx ends.
func (r *Room) Run(ctx context.Context) { r.view.Run(ctx, r.work) }

// Ready says whether everything that was in the journal at the start is known.
func (r *Room) Ready() bool { return r.view.Ready() }

// Await waits until Ready says so, at most so long.
func (r *Room) Await(ctx context.Context, most time.Duration) { r.view.Await(ctx, most) }

// Seq is the sequence up to which entries are in what is known.
func (r *Room) Seq() uint64 { return r.view.Seq() }

// look has the worker look whether there is something to do.
func (r *Room) look() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

// now is the instant by which runs wait.
func (r *Room) now() record.UTC { return r.o.Stamp().UTC }

func notDone(format string, args ...any) error {
	return &record.NotDone{Why: fmt.Sprintf(format, args...)}
}
