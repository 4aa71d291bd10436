package review

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"weighpost/gateway/follow"
	"weighpost/gateway/procedure"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Options is what a room is made of. What it asks of others does not call the room.
type Options struct {
	Dir     string // the journal's folder
	Journal follow.Journal
	Stamp   func() record.Stamp
	Log     *slog.Logger // nil: nothing is logged
	Config  func() Config
	// Policy is that of a version of a procedure. The error is a sentence: it cannot be read.
	Policy func(ref record.ProcedureRef) (Policy, error)
	// Again works out what a run found, by all its corrections in their order.
	Again func(begun *record.RunBegun, steps []*record.RunStep, corrections []*record.RunCorrected) (procedure.Found, []record.Reworked, error)
	// Reread reads the frame of a weighing by a layout, which is named by its hash. nil: none can be read anew.
	Reread func(ctx context.Context, w *record.Weighing, layout string) (record.Value, error)
	// Doubts gives the ids of failed checks that throw doubt on a weighing, by its balance and sequence, of which nobody has judged it yet.
	Doubts func(balance string, seq uint64) []string
	// Head is the head of the journal: how many entries, and their root in base64, as in a checkpoint.
	Head func(ctx context.Context) (size uint64, root string, err error)
	// Request gives a request of a lab system as it is known now.
	Request func(ref record.RequestRef) (record.LabRequest, bool)
	// Refused is told of each act that was not done. It does not wait.
	Refused func(what, why string, by record.Actor)
}

// Room knows what becomes of runs. Run keeps it up to date; everything else may be called from any goroutine.
type Room struct {
	o    Options
	view *follow.View
	wake chan struct{} // a run may have to be reviewed again

	runs map[string]*run // guarded by the view's lock
}

// New makes a room. It does not read the journal: Run does.
func New(o Options) *Room {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	r := &Room{o: o, wake: make(chan struct{}, 1), runs: map[string]*run{}}
	r.view = follow.New(follow.Options{Dir: o.Dir, Journal: o.Journal, Log: o.Log, Reduce: r.reduce,
		Words: follow.Words{What: "the review of runs", Of: "reviews of runs", Many: true, Busy: "somebody else is reviewing a run"},
		File:  follow.Keep(FileName, snapshotForm, r.take, r.give)})
	return r
}

// Run follows the journal, and has runs reviewed again that a failed check turned out to affect, until ctx ends.
func (r *Room) Run(ctx context.Context) { r.view.Run(ctx, r.work) }

// Ready says whether everything that was in the journal at the start is known.
func (r *Room) Ready() bool { return r.view.Ready() }

// Await waits until Ready says so, at most so long.
func (r *Room) Await(ctx context.Context, most time.Duration) { r.view.Await(ctx, most) }

// Seq is the sequence up to which entries are in what is known.
func (r *Room) Seq() uint64 { return r.view.Seq() }

// Reached waits until all entries up to a sequence are in what is known.
func (r *Room) Reached(ctx context.Context, seq uint64) error { return r.view.Reached(ctx, seq) }

// Lacks says that somebody has none of the rights of which an act needs one. It is a sentence.
type Lacks struct {
	Right rights.Right
	By    record.Actor
}

func (l *Lacks) Error() string {
	return fmt.Sprintf("this needs the right %q, which %s does not have", l.Right, l.By.Shown())
}

func notDone(format string, args ...any) error {
	return &record.NotDone{Why: fmt.Sprintf(format, args...)}
}

// refused notes an act that was not done, and gives its error on. What failed for another reason, such as a full disk, is no act.
func (r *Room) refused(what, id string, by record.Actor, err error) error {
	var not *record.NotDone
	var lacks *Lacks
	if errors.As(err, &not) || errors.As(err, &lacks) {
		r.o.Refused(what+" of the run "+id, err.Error(), by)
	}
	return err
}
