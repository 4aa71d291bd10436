package deliver

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// Codes of the conditions that a Runner raises; their subject is the sink's id.
const (
	CodeUnreachable = health.SinkUnreachable   // tried again by itself
	CodeBusy        = health.SinkBusy          // the destination asked for a wait
	CodeStopped     = health.SinkStopped       // a person is needed; probed now and then
	CodeParked      = health.SinkParked        // entries were set aside
	CodePaused      = health.SinkPaused        // somebody stopped the deliveries for a time
	CodeUnreadable  = health.JournalUnreadable // the journal cannot be read for the sink
)

// Forget takes back what a Runner said of a sink, as when the sink is no longer configured.
func Forget(board *health.Board, sink string) {
	board.ClearAll(sink, CodeUnreachable, CodeBusy, CodeStopped, CodeParked, CodePaused, CodeUnreadable)
}

// judge takes the outcome of one attempt and returns how long to wait before the next.
func (r *Runner) judge(ctx context.Context, err error) time.Duration {
	var unusable sinks.Unusable
	var refused sinks.Refused
	var busy sinks.Busy
	switch {
	case err == nil:
		r.worked()
		return 0
	case errors.As(err, &unusable):
		return r.stop(unusable.Err)
	case errors.As(err, &refused):
		return r.refuse(ctx, refused.Err)
	case errors.As(err, &busy):
		return r.busy(busy)
	}
	return r.failed(err)
}

// worked clears what was wrong.
func (r *Runner) worked() {
	r.tries = 0
	r.deps.Board.Clear(CodeUnreachable, r.cfg.ID)
	r.deps.Board.Clear(CodeBusy, r.cfg.ID)
	if r.stopped {
		r.stopped, r.rejected = false, false
		r.deps.Board.Clear(CodeStopped, r.cfg.ID)
		r.owe(false, "")
	}
	r.show(func(s *Status) { s.State, s.Why, s.Remedy = Working, "", "" })
}

// failed waits longer with each failure in a row. A stopped sink stays stopped and keeps to its probes.
// from names what it is known to come from.
func (r *Runner) failed(err error, from ...health.Ref) time.Duration {
	if r.stopped {
		r.missed(err)
		return r.cfg.Probe.D()
	}
	r.missed(err)
	wait := r.backOff(&r.tries)
	r.deps.Board.Clear(CodeBusy, r.cfg.ID)
	r.say(Retrying, short(err), health.Condition{
		Code: CodeUnreachable, Subject: r.cfg.ID, Severity: health.Warning, From: append(from, r.beyond...),
		Sentence: fmt.Sprintf("Destination %s does not take entries: %s.", r.cfg.ID, short(err)),
		Remedy:   "Nothing is lost: entries wait in the journal and go out by themselves. Mend what the sentence names, most often the network or the destination.",
	})
	return wait
}

// say raises a condition, and shows the state that it is about.
func (r *Runner) say(state, why string, c health.Condition) {
	r.deps.Board.Raise(c)
	r.show(func(s *Status) { s.State, s.Why, s.Remedy = state, why, c.Remedy })
}

// busy keeps the wait that the destination asked for.
func (r *Runner) busy(b sinks.Busy) time.Duration {
	r.missed(b.Err)
	if r.stopped {
		return max(b.After, r.cfg.Probe.D())
	}
	wait := max(b.After, r.backOff(&r.tries))
	r.deps.Board.Clear(CodeUnreachable, r.cfg.ID)
	r.say(Waiting, short(b.Err), health.Condition{
		Code: CodeBusy, Subject: r.cfg.ID, Severity: health.Notice,
		Sentence: fmt.Sprintf("Destination %s asks not to be tried again for %s: %s.", r.cfg.ID, b.After, short(b.Err)),
		Remedy:   "Nothing to do: delivery goes on by itself.",
	})
	return wait
}

// refuse sets the first pending entry aside, or stops the sink when it refuses one entry after the other. A sink that was
// stopped for another cause and now refuses an entry is usable again.
func (r *Runner) refuse(ctx context.Context, err error) time.Duration {
	if r.stopped && r.rejected {
		return r.cfg.Probe.D()
	}
	if r.refusals++; r.refusals >= refusalsToStop {
		r.rejected = true
		return r.stop(fmt.Errorf("it refused %d entries in a row, the last because: %w", r.refusals, err))
	}
	first := r.pending[0]
	e := first.entry
	body := &record.Parked{Sink: r.cfg.ID, Entry: e.Seq, EntryID: e.ID, Why: short(err), Stamp: r.deps.Stamp()}
	r.counting.Lock()
	perr := r.log.Park(ctx, r.cfg.ID, e, body)
	if perr == nil {
		r.show(func(s *Status) { s.Parked++ })
	}
	r.counting.Unlock()
	if perr != nil {
		r.refusals-- // it will be refused again
		if ctx.Err() != nil {
			return 0
		}
		return r.failed(fmt.Errorf("entry %s was refused (%s) and cannot be set aside: %w", e.ID, short(err), perr),
			health.Ref{Code: health.RecordingStopped, Subject: "journal"})
	}
	r.worked() // it answers: only this entry is wrong
	r.deps.Log.Warn("an entry was refused for good and is parked", "entry", e.ID, "why", short(err))
	r.keepPartly(ctx, first)
	r.passed(1)
	if r.cursor > e.Seq {
		r.keepCursor() // the journal has it only up to the entry
	}
	r.first()
	r.missed(fmt.Errorf("entry %s was refused: %w", e.ID, err))
	r.show(func(s *Status) { s.Cursor = r.cursor })
	r.raiseParked(e.ID, short(err))
	return 0
}

// raiseSetAside counts what is set aside, and says so. It may be called from any goroutine.
func (r *Runner) raiseSetAside(ctx context.Context) {
	r.counting.Lock()
	defer r.counting.Unlock()
	n, notice, err := r.log.SetAside(r.cfg.ID)
	var last record.Parked
	if err == nil && n > 0 {
		last, _, err = WhyParked(ctx, r.log, 0, notice)
	}
	if err != nil {
		r.deps.Log.Warn("what was set aside for the sink cannot be listed", "error", err)
	}
	if err != nil {
		return
	}
	r.show(func(s *Status) { s.Parked = uint64(n) })
	if n > 0 {
		r.raiseParked(last.EntryID, last.Why)
	} else {
		r.deps.Board.Clear(CodeParked, r.cfg.ID)
	}
}

func (r *Runner) raiseParked(id, why string) {
	r.deps.Board.Raise(health.Condition{
		Code: CodeParked, Subject: r.cfg.ID, Severity: health.Warning,
		Sentence: fmt.Sprintf("Destination %s has refused entries, which are parked: %d. The last one is %s: %s.", r.cfg.ID, r.Status().Parked, id, why),
		Remedy:   "The entries are in the journal and parked for this destination. They do not go out by themselves: see from the sentence why it does not want them, and have that mended. Then have them delivered again, or give up what it need not have: on the page Delivered, or with `weighpost deliveries`.",
	})
}

// stop ends deliveries until a probe gets through.
func (r *Runner) stop(err error) time.Duration {
	r.missed(err)
	if !r.stopped {
		r.stopped = true
		r.owe(true, short(err))
		r.deps.Log.Error("the sink is stopped", "why", short(err))
	}
	r.refusals = 0
	r.deps.Board.Clear(CodeUnreachable, r.cfg.ID)
	r.deps.Board.Clear(CodeBusy, r.cfg.ID)
	r.say(Stopped, short(err), health.Condition{
		Code: CodeStopped, Subject: r.cfg.ID, Severity: health.Error,
		Sentence: fmt.Sprintf("Destination %s is stopped: %s.", r.cfg.ID, short(err)),
		Remedy: fmt.Sprintf("Nothing is lost: entries wait in the journal. Mend the cause; it is tried again every %s and then goes on by itself.",
			r.cfg.Probe),
	})
	return r.cfg.Probe.D()
}

func (r *Runner) owe(stopped bool, why string) {
	r.owed = append(r.owed, &record.SinkState{Sink: r.cfg.ID, Stopped: stopped, Why: why, Stamp: r.deps.Stamp()})
}

// backOff doubles from retry_min to retry_max and takes between half and all of that, so that sinks that failed together do
// not come back together.
func (r *Runner) backOff(tries *int) time.Duration {
	d, most := r.cfg.RetryMin.D(), r.cfg.RetryMax.D()
	for range *tries {
		if d >= most/2 {
			d = most
			break
		}
		d *= 2
	}
	*tries++
	return d/2 + rand.N(d/2+1)
}

// unreadable waits and lets the journal be read again: it may come back, as after a full disk.
func (r *Runner) unreadable(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	if werr := r.log.Wait(ctx, 0); werr != nil && ctx.Err() == nil {
		return werr // closed
	}
	r.deps.Board.Raise(health.Condition{
		Code: CodeUnreadable, Subject: r.cfg.ID, Severity: health.Error,
		Sentence: fmt.Sprintf("The journal cannot be read for destination %s: %s.", r.cfg.ID, short(err)),
		Remedy:   "Run `weighpost journal verify FOLDER` on the journal's folder and look at its disk.",
	})
	pause(ctx, r.backOff(&r.misread))
	return nil
}

// short keeps what a far side said to a length that fits a page and an entry.
func short(err error) string {
	return shorten(err.Error(), 500)
}

// shorten cuts a text to so many bytes, and no character in two.
func shorten(s string, most int) string {
	if len(s) <= most {
		return s
	}
	cut := most
	for cut > 0 && s[cut]&0xc0 == 0x80 {
		cut--
	}
	return s[:cut] + "…"
}
