package deliver

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// What a configuration may ask for where a sink has another destination.
const (
	Keep  = "keep"  // go on where the old destination was
	Now   = "now"   // only what is recorded from now on
	Start = "start" // everything again
)

// Places is what Plan needs of the journal.
type Places interface {
	Head() uint64
	Cursor(name string) (uint64, error)
	Goal(name string) (string, error)
}

// Place is where a sink begins.
type Place struct {
	From   string // destination for which the sink's place was reached; "" where the journal does not know
	Before uint64 // entries up to this sequence were done with for From
	Start  uint64 // entries after this sequence go out
	// At: Start is still to be found, before what was recorded at this time or later. The zero time: Start is known.
	At time.Time
	// New says that the journal is to remember the destination; Tell, that an entry is to say so.
	New, Tell bool
}

// Elsewhere is the error of a sink whose destination changed without a word in its configuration about what that means.
type Elsewhere struct {
	Sink, From, To string
	Cursor, Head   uint64
}

func (e *Elsewhere) Error() string {
	return fmt.Sprintf("sink %s has delivered to %s up to entry %d of %d and is now to deliver to %s, and its configuration does not "+
		"say from where: write cursor: keep (go on after entry %[3]d), cursor: now (only what is recorded from now on), cursor: start "+
		"(everything again from the first entry) or a time (what was recorded at it or later), or give the new destination a sink with an id of its own",
		e.Sink, e.From, e.Cursor, e.Head, e.To)
}

// Plan works out where a sink of this configuration would begin with a destination, and changes nothing. It fails with
// *Elsewhere where the configuration has to say more, and where the journal ends before the sink's place.
func Plan(log Places, cfg Config, destination string) (Place, error) {
	from, err := log.Goal(cfg.ID)
	if err == nil {
		var p Place
		if p.Before, err = log.Cursor(cfg.ID); err == nil {
			p.From = from
			return p.plan(log.Head(), cfg, destination)
		}
	}
	return Place{}, fmt.Errorf("sink %s: its place in the journal cannot be read: %w", cfg.ID, err)
}

func (p Place) plan(head uint64, cfg Config, to string) (Place, error) {
	if p.Before > head {
		return p, fmt.Errorf("sink %s is at entry %d of a journal that ends at %d: entries are missing. "+
			"Run weighpost journal verify before anything else", cfg.ID, p.Before, head)
	}
	p.Start = p.Before
	if to == "" || p.From == to {
		return p, nil
	}
	p.New = true
	fresh := p.From == "" && p.Before == 0
	if cfg.Cursor == "" && p.From != "" {
		return p, &Elsewhere{Sink: cfg.ID, From: p.From, To: to, Cursor: p.Before, Head: head}
	}
	switch cfg.Cursor {
	case Now:
		p.Start, p.Tell = head, true
	case Start:
		p.Start, p.Tell = 0, !fresh
	case Keep:
		p.Tell = !fresh
	}
	if at, ok := timeOf(cfg.Cursor); ok {
		p.At, p.Tell = at, true
	}
	return p, nil
}

// settle finds the place at which to begin and makes the journal remember it. It keeps trying as long as the journal cannot
// be written: what is remembered too late could be skipped after a crash. False: the sink must not run.
func (r *Runner) settle(ctx context.Context) (bool, error) {
	for {
		p, err := Plan(r.log, r.cfg, r.deps.Destination)
		var elsewhere *Elsewhere
		if errors.As(err, &elsewhere) {
			r.refusePlace(ctx, elsewhere)
			return false, nil
		}
		if err != nil {
			return true, err
		}
		if !p.At.IsZero() {
			p.Start, err = r.firstAt(ctx, p.At)
		}
		if p.New && err == nil && r.partly.place > 0 { // another destination has had none of it
			if err = r.log.Remember(ctx, partlyOf(r.cfg.ID), ""); err == nil {
				r.partly = partly{}
			}
		}
		if p.New && err == nil {
			err = r.log.Settle(ctx, r.cfg.ID, p.Start, r.deps.Destination, r.moved(p)...)
		}
		if err == nil {
			r.cursor, r.reading = p.Start, reading{at: p.Start}
			r.show(func(s *Status) { s.Cursor = p.Start })
			return true, nil
		}
		if ctx.Err() != nil {
			return false, nil
		}
		r.deps.Log.Warn("the place at which the sink begins is not recorded yet", "error", err)
		pause(ctx, r.backOff(&r.misread))
	}
}

// moved is the entry that says from where a destination gets entries, where that is to be said.
func (r *Runner) moved(p Place) []record.Body {
	if !p.Tell {
		return nil
	}
	return []record.Body{&record.SinkMoved{Sink: r.cfg.ID, From: p.From, To: r.deps.Destination, Cursor: r.cfg.Cursor,
		Before: p.Before, After: p.Start, Stamp: r.deps.Stamp()}}
}

// refusePlace says that the sink waits for a word in its configuration.
func (r *Runner) refusePlace(ctx context.Context, e *Elsewhere) {
	r.deps.Log.Error("the sink is stopped", "why", e.Error())
	r.deps.Board.Raise(health.Condition{
		Code: CodeStopped, Subject: r.cfg.ID, Severity: health.Error,
		Sentence: fmt.Sprintf("Nothing is delivered by %s: it has delivered to %s up to entry %d of %d and is now to deliver to %s.",
			e.Sink, e.From, e.Cursor, e.Head, e.To),
		Remedy: fmt.Sprintf("Nothing is lost: entries wait in the journal. Write in the configuration of this destination cursor: keep (go on after entry %d), "+
			"cursor: now (only what is recorded from now on), cursor: start (everything again) or a time to begin at, and restart or reload weighpost.", e.Cursor),
	})
	r.missed(e)
	if waits, err := r.log.Read(ctx, e.Cursor, 1); err == nil {
		for _, e := range waits {
			r.pending = append(r.pending, due{entry: e, done: e.Seq, place: e.Seq, said: e.JSON}) // none of it goes out: it says since when
		}
		r.first()
	}
	r.show(func(s *Status) { s.State, s.Why, s.Cursor = Stopped, short(e), e.Cursor })
	r.owe(true, short(e))
	r.recordOwed(ctx)
}
