package dropped

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// Gateway carries requests out.
type Gateway interface {
	// SetContext is as of the API. An error that is neither a *record.ContextRefused nor record.ErrNoBalance says that it is not known
	// whether it was carried out.
	SetContext(ctx context.Context, balance string, r record.ContextRequest) (record.ContextView, error)
	// AnnounceSamples takes samples. An error that is no *record.SampleRefused says that it is not known which were taken.
	AnnounceSamples(ctx context.Context, list []record.Sample, request string, by record.Actor) (record.SamplesTaken, error)
	// SendRequest takes a request for a run, a change of one, or that one is cancelled. An error that is neither a *record.NotDone nor
	// record.ErrNoRequest says that it is not known whether it was carried out.
	SendRequest(ctx context.Context, s record.RequestSent, by record.Actor) (record.RequestStands, error)
}

// Found is an entry that a request made.
type Found struct {
	Mark, ID   string
	Cause, Why string // of a change of a context
	Sample     string // of an announcement, with what it was: announced or changed
	Change     string
}

// Options are what the room is given. All are needed.
type Options struct {
	Gateway Gateway
	// Found gives the entries that carry the key half of a mark, in their order, once all that was given to the journal before is durable.
	Found func(ctx context.Context, key string) ([]Found, error)
	// Ready says whether balances are read and samples known: before that, and at the stop, nothing is carried out.
	Ready  func() bool
	Config func() Config
	Stamp  func() record.Stamp
	Board  *health.Board
	Log    *slog.Logger
}

// Room takes the files. Its only method, Run, is called once.
type Room struct {
	o   Options
	now func() time.Time // for tests

	folder   string // that what follows is of
	seen     map[string]look
	queue    []string             // files that are ready, in their order, from the last look
	progress map[string][]Outcome // by id of a file in working: what is known of its requests before all of them are
	answers  map[string]*Answer   // by id: of files that were carried out, until the answer is on the disk
	fresh    map[string]bool      // ids of files of which surely nothing was carried out yet
}

// New makes the room.
func New(o Options) *Room { return &Room{o: o, now: time.Now} }

const (
	workingDir = "working"
	takenDir   = "taken"
	refusedDir = "refused"

	subject = "requests"
	// perRound is how many files one round takes before the folder and the configuration are looked at again.
	perRound = 200
)

// Run takes files until ctx ends.
func (r *Room) Run(ctx context.Context) {
	for {
		cfg := r.o.Config().WithDefaults()
		wait := cfg.Every.D()
		switch {
		case cfg.Folder == "":
			r.begin("")
			r.o.Board.Clear(health.RequestsFolder, subject)
		case !r.o.Ready():
			wait = min(wait, leastEvery)
		default:
			more, err := r.round(ctx, cfg)
			r.tell(ctx, cfg, err)
			if more && err == nil {
				wait = 0
			}
		}
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
	}
}

// begin forgets what was seen in another folder.
func (r *Room) begin(folder string) {
	if r.folder == folder && r.seen != nil {
		return
	}
	r.folder, r.queue = folder, nil
	r.seen, r.progress = map[string]look{}, map[string][]Outcome{}
	r.answers, r.fresh = map[string]*Answer{}, map[string]bool{}
}

// tell raises or clears the condition.
func (r *Room) tell(ctx context.Context, cfg Config, err error) {
	switch {
	case ctx.Err() != nil:
	case err == nil:
		r.o.Board.Clear(health.RequestsFolder, subject)
	default:
		r.o.Board.Raise(health.Condition{Code: health.RequestsFolder, Subject: subject, Severity: health.Warning,
			Sentence: fmt.Sprintf("Files with requests in %s are not taken: %v.", cfg.Folder, err),
			Remedy: "See that the folder is there, is mounted, has room and can be written by weighpost. What was carried out is answered once that " +
				"works, and nothing is carried out twice."})
	}
}

// round goes on with what is in working, and then takes files. more says that others are ready.
func (r *Room) round(ctx context.Context, cfg Config) (more bool, err error) {
	r.begin(cfg.Folder)
	root, err := os.OpenRoot(cfg.Folder)
	if err != nil {
		return false, err
	}
	defer root.Close()
	for _, dir := range []string{workingDir, takenDir, refusedDir} {
		if err := makeDir(root, dir); err != nil {
			return false, err
		}
	}
	if err := r.goOn(ctx, cfg, root); err != nil {
		return false, err
	}
	if len(r.queue) == 0 {
		if r.queue, err = r.look(root); err != nil {
			return false, err
		}
	}
	var stuck *notMoved
	for n := 0; len(r.queue) > 0 && ctx.Err() == nil && r.o.Ready(); n++ {
		if n == perRound {
			break
		}
		name := r.queue[0]
		r.queue = r.queue[1:]
		if err := r.take(ctx, cfg, root, name); err != nil && !errors.As(err, &stuck) { // one that cannot be moved holds up no other
			return false, err
		}
	}
	if stuck != nil {
		return len(r.queue) > 0, stuck
	}
	return len(r.queue) > 0, ctx.Err()
}

// makeDir makes a folder where it is not there, and follows no link.
func makeDir(root *os.Root, name string) error {
	err := root.Mkdir(name, 0o770)
	if err == nil {
		return syncDir(root, ".")
	}
	info, seen := root.Lstat(name)
	if seen != nil {
		return err
	}
	if !info.IsDir() {
		return fmt.Errorf("%s is in the way: it has to be a folder", filepath.Join(root.Name(), name))
	}
	return nil
}
