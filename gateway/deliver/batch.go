package deliver

import (
	"context"
	"errors"
	"sync"
	"time"

	"weighpost/sinks"
)

// fill reads on until the batch is full or the journal ends. Entries that are not due are passed over; the cursor goes with them when
// nothing waits in front.
func (r *Runner) fill(ctx context.Context) (err error) {
	before := r.cursor
	for err == nil && len(r.pending) < r.cfg.BatchSize && r.reading.behind(r.log.Head()) {
		at, releasing := r.reading.at, r.reading.release != nil
		var list []due
		var passed uint64
		list, passed, err = r.readOn(ctx, &r.reading, r.cfg.BatchSize-len(r.pending))
		if len(r.pending) == 0 && len(list) > 0 {
			r.since = time.Now()
		}
		r.pending = append(r.pending, list...)
		if len(r.pending) == 0 {
			r.cursor = r.reading.at
		}
		if passed > 0 {
			r.show(func(s *Status) { s.Held += passed })
		}
		if r.reading.at == at && releasing == (r.reading.release != nil) && len(list) == 0 {
			break // the journal gives nothing, for now
		}
	}
	r.first()
	if r.cursor != before {
		r.keepCursor()
	}
	return err
}

// unripe is how long the batch should still wait for more entries.
func (r *Runner) unripe() time.Duration {
	if len(r.pending) == 0 || len(r.pending) >= r.cfg.BatchSize || r.tries > 0 || r.stopped || r.hurried(false) {
		return 0
	}
	return r.cfg.BatchAge.D() - time.Since(r.since)
}

// readUpTo is the last entry that was looked at.
func (r *Runner) readUpTo() uint64 {
	if r.closing.on() {
		return r.open.reading.at
	}
	return r.reading.at
}

// idle waits for the journal to grow, at most for wait unless that is 0, and no longer than until a checkpoint is due.
func (r *Runner) idle(ctx context.Context, wait time.Duration) error {
	if due := r.checkpointDue(); due > 0 && (wait <= 0 || due < wait) {
		wait = due
	}
	if len(r.owed) > 0 && (wait <= 0 || r.cfg.RetryMax.D() < wait) {
		wait = r.cfg.RetryMax.D()
	}
	if !r.due() {
		r.hurried(true) // there is nothing to try
	}
	wctx, end := r.interruptible(ctx, false)
	defer end()
	if wait > 0 {
		var cancel context.CancelFunc
		wctx, cancel = context.WithTimeout(wctx, wait)
		defer cancel()
	}
	if err := r.log.Wait(wctx, r.readUpTo()); err != nil && wctx.Err() == nil {
		return err
	}
	return nil
}

// checkpointDue is how long it is until a checkpoint may be handed over, or 0 when none is needed.
func (r *Runner) checkpointDue() time.Duration {
	if _, ok := r.sink.(sinks.Checkpointer); !ok || r.log.Head() == r.told {
		return 0
	}
	return max(time.Until(r.nextTell), time.Millisecond)
}

// checkpoint hands over the journal's signed head, if it moved and the last one was a minute ago. A failure is tried again in a
// minute and is not held against the sink: entries do not wait for it.
func (r *Runner) checkpoint(ctx context.Context) {
	c, ok := r.sink.(sinks.Checkpointer)
	if !ok || r.log.Head() == r.told || time.Now().Before(r.nextTell) {
		return
	}
	r.nextTell = time.Now().Add(checkpointEvery)
	if err := r.tell(ctx, c); err != nil && ctx.Err() == nil {
		r.deps.Log.Warn("the checkpoint was not handed over; the next attempt is in a minute", "error", err)
	}
}

// lastCheckpoint hands over the head once more at the end, to a sink that works.
func (r *Runner) lastCheckpoint(ctx context.Context) {
	c, ok := r.sink.(sinks.Checkpointer)
	if !ok || r.log.Head() == r.told || r.tries > 0 || r.stopped || r.pausedBy() != nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), grace)
	defer cancel()
	if err := r.tell(ctx, c); err != nil {
		r.deps.Log.Warn("the last checkpoint was not handed over", "error", err)
	}
}

func (r *Runner) tell(ctx context.Context, c sinks.Checkpointer) error {
	ctx, cancel := context.WithTimeout(ctx, r.cfg.Deadline.D())
	defer cancel()
	seq, note, err := r.log.Checkpoint(ctx)
	if err != nil {
		return err
	}
	if seq == r.told || len(note) == 0 {
		return nil
	}
	if err := c.Checkpoint(ctx, note); err != nil {
		return err
	}
	r.told = seq
	if err := r.log.Acknowledged(r.cfg.ID, seq, r.deps.Stamp().UTC.Time()); err != nil {
		r.deps.Log.Warn("that a checkpoint was handed over is not noted", "error", err)
	}
	r.show(func(s *Status) { s.Checkpoint = seq })
	return nil
}

// stream hands the live stream to a sink that carries it, until ctx or the stream ends.
func (r *Runner) stream(ctx context.Context) *sync.WaitGroup {
	var wg sync.WaitGroup
	l, ok := r.sink.(sinks.Liver)
	if !ok || r.deps.Live == nil {
		return &wg
	}
	wg.Go(func() {
		for {
			select {
			case reading, open := <-r.deps.Live:
				if !open {
					return
				}
				l.Live(reading)
			case <-ctx.Done():
				return
			}
		}
	})
	return &wg
}

// recordOwed writes down what happened to the sink. While the journal cannot record, it stays owed.
func (r *Runner) recordOwed(ctx context.Context) {
	for len(r.owed) > 0 {
		if _, err := r.log.Append(ctx, r.owed[0]); err != nil {
			if ctx.Err() == nil && !errors.Is(err, context.Canceled) {
				r.deps.Log.Warn("the state of the sink is not recorded yet", "error", err)
			}
			return
		}
		r.owed = r.owed[1:]
	}
}
