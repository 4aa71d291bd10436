package deliver

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// ErrPaused says that somebody paused the deliveries of a sink, so that nothing is tried.
var ErrPaused = errors.New("deliveries to the sink are paused: let them go on first, on the page Delivered or with `weighpost deliveries continue`")

// ErrAlreadyPaused and ErrNotPaused say that a sink is already as somebody wants it.
var (
	ErrAlreadyPaused = errors.New("deliveries to the sink are paused already")
	ErrNotPaused     = errors.New("deliveries to the sink are not paused")
)

// PausedBy is who paused the deliveries of a sink, why and since when.
type PausedBy struct {
	Who   string     `json:"who"`
	Why   string     `json:"why,omitempty"`
	Since record.UTC `json:"since"`
	Entry string     `json:"entry"` // id of the entry that says so
}

// pauseOf is where the journal remembers that the deliveries of a sink are paused.
func pauseOf(sink string) string { return "pause/" + sink }

// Pause stops deliveries once the body, with Paused set, is in the journal; what is under way ends first, or is given up soon. It
// holds over restarts and other configurations of the sink, until Continue. Nothing is lost: entries wait in the journal. The live
// stream goes on. Errors are ErrAlreadyPaused and those of the journal.
func (r *Runner) Pause(ctx context.Context, body *record.SinkPaused) error {
	r.deciding.Lock()
	defer r.deciding.Unlock()
	if r.pausedBy() != nil {
		return ErrAlreadyPaused
	}
	body.Paused = true
	if err := r.log.Remember(ctx, pauseOf(r.cfg.ID), string(Paused), body); err != nil {
		return err
	}
	r.setPaused(pausedBy(body))
	return nil
}

// Continue ends a pause once the body is in the journal. Errors are ErrNotPaused and those of the journal.
func (r *Runner) Continue(ctx context.Context, body *record.SinkPaused) error {
	r.deciding.Lock()
	defer r.deciding.Unlock()
	if r.pausedBy() == nil {
		return ErrNotPaused
	}
	body.Paused = false
	if err := r.log.Remember(ctx, pauseOf(r.cfg.ID), "", body); err != nil {
		return err
	}
	r.setPaused(nil)
	return nil
}

func pausedBy(body *record.SinkPaused) *PausedBy {
	return &PausedBy{Who: body.By.Shown(), Why: body.Reason, Since: body.Stamp.UTC, Entry: body.ID}
}

// recallPause finds at a start whether deliveries are paused.
func (r *Runner) recallPause(ctx context.Context) {
	r.deciding.Lock()
	defer r.deciding.Unlock()
	text, seq, err := r.log.Remembered(pauseOf(r.cfg.ID))
	if err == nil && text == "" {
		return
	}
	body := &record.SinkPaused{}
	if err == nil {
		var entries []record.Entry
		if entries, err = r.log.Read(ctx, seq-1, 1); err == nil && len(entries) == 1 {
			err = json.Unmarshal(entries[0].JSON, body)
		}
	}
	if err != nil && ctx.Err() == nil {
		r.deps.Log.Warn("who paused the deliveries, and why, cannot be read; they stay paused", "error", err)
	}
	r.setPaused(pausedBy(body))
}

// pausedBy says who paused deliveries; nil: nobody.
func (r *Runner) pausedBy() *PausedBy {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.paused
}

// setPaused has Run stop or go on, and says so.
func (r *Runner) setPaused(by *PausedBy) {
	r.mu.Lock()
	r.paused = by
	close(r.turned)
	r.turned = make(chan struct{})
	if r.again.interrupt != nil {
		r.again.interrupt()
	}
	if r.abort != nil && by != nil {
		r.abort()
	}
	r.mu.Unlock()
	if by == nil {
		r.deps.Board.Clear(CodePaused, r.cfg.ID)
		return
	}
	r.deps.Board.Clear(CodeUnreachable, r.cfg.ID) // nothing is tried that could fail
	r.deps.Board.Clear(CodeBusy, r.cfg.ID)
	r.deps.Board.Raise(health.Condition{
		Code: CodePaused, Subject: r.cfg.ID, Severity: health.Notice,
		Sentence: fmt.Sprintf("Deliveries to %s are paused: %s.", r.cfg.ID, by.words()),
		Remedy:   pauseRemedy,
	})
}

const pauseRemedy = "Nothing is lost: entries wait in the journal. Let the deliveries go on when that is no longer needed, on the page Delivered or with `weighpost deliveries continue`."

// words says who paused, since when and why.
func (p *PausedBy) words() string {
	said := "by " + p.Who
	if p.Who == "" {
		said = "by somebody"
	}
	if at := p.Since.Time(); !at.IsZero() {
		said += " since " + at.UTC().Format("2006-01-02 15:04 UTC")
	}
	if p.Why != "" {
		said += " (" + p.Why + ")"
	}
	return said
}

// rest waits while deliveries are paused. False: they are not.
func (r *Runner) rest(ctx context.Context) bool {
	r.mu.Lock()
	paused, turned := r.paused != nil, r.turned
	r.mu.Unlock()
	if !paused {
		return false
	}
	select {
	case <-turned:
	case <-ctx.Done():
	}
	if r.pausedBy() == nil && !r.stopped {
		r.worked() // as if nothing had been tried yet
	}
	return true
}

// unlessPaused gives a context that ends when deliveries are paused. The second function is to be called at the end.
func (r *Runner) unlessPaused(ctx context.Context) (context.Context, func()) {
	wctx, cancel := context.WithCancel(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.abort = cancel
	if r.paused != nil {
		cancel()
	}
	return wctx, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.abort = nil
		cancel()
	}
}
