package deliver

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// collect hands the closed batch over, and returns how long to wait before the next attempt. An error is that of the journal.
func (r *Runner) collect(ctx context.Context) (wait time.Duration, err error) {
	r.hurried(true)
	left, err, misread := r.handOver(ctx)
	if misread != nil {
		return 0, misread
	}
	if err == nil && uint64(len(left)) == r.plan.Count && len(left) >= refusalsToStop {
		err = sinks.Unusable{Err: fmt.Errorf("it can hold none of the %d entries of batch %s, the first because: %w", len(left), r.plan.Name, left[0].Err)}
	}
	if err != nil && r.cut(ctx) {
		return 0, nil
	}
	if err != nil {
		return r.judge(ctx, err), nil
	}
	if !r.recordAnswers(ctx, r.batchAnswers()) || !r.parkLeftOut(ctx, left) {
		return 0, nil // the batch comes again
	}
	r.collected(uint64(len(left)))
	return r.judge(ctx, nil), nil
}

// handOver asks the sink to take the batch. misread is what kept its entries from being read.
func (r *Runner) handOver(ctx context.Context) (left []sinks.LeftOut, err, misread error) {
	if r.pausedBy() != nil {
		return nil, ErrPaused, nil
	}
	left, err = r.handBatch(ctx, *r.plan, func(ctx context.Context, alive func()) iter.Seq2[record.Entry, error] {
		return r.batchEntries(ctx, *r.plan, alive, &misread)
	})
	if err == nil {
		err = misread
	}
	return left, err, misread
}

// handBatch hands one closed batch over, whose entries from gives.
func (r *Runner) handBatch(ctx context.Context, p planned, from func(ctx context.Context, alive func()) iter.Seq2[record.Entry, error]) (left []sinks.LeftOut, err error) {
	dctx, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	defer cancel(nil)
	defer r.endSoon(ctx, func() { cancel(nil) })()
	// A batch may be long. What has a limit is how long the sink may take for one entry, and for the end.
	slow := fmt.Errorf("it took nothing for %s: %w", r.cfg.Deadline, context.DeadlineExceeded)
	timer := time.AfterFunc(r.cfg.Deadline.D(), func() { cancel(slow) })
	defer timer.Stop()
	alive := func() {
		if dctx.Err() == nil {
			timer.Reset(r.cfg.Deadline.D())
		}
	}
	entries := from(dctx, alive)
	defer func() {
		if p := recover(); p != nil {
			left, err = nil, fmt.Errorf("the sink failed inside (please report this): %v", p)
			r.deps.Log.Error("the sink panicked", "panic", p)
		}
	}()
	left, err = r.sink.(sinks.Collector).Collect(dctx, sinks.Batch{Name: p.Name, First: p.First, Last: p.Last, Entries: entries, Alive: alive})
	var refused sinks.Refused
	switch {
	case errors.Is(context.Cause(dctx), context.DeadlineExceeded) && err != nil:
		err = slow
	case errors.As(err, &refused):
		err = fmt.Errorf("the sink refuses a whole batch (please report this): %s", refused.Err)
	}
	return left, err
}

// batchEntries reads the entries of a batch, a piece at a time. It calls alive for each.
func (r *Runner) batchEntries(ctx context.Context, p planned, alive func(), misread *error) iter.Seq2[record.Entry, error] {
	return func(yield func(record.Entry, error) bool) {
		rd := reading{at: p.After, by: p.routes(r.cfg)}
		for rd.release != nil || rd.at < p.Upto {
			room := chunk
			if rd.release == nil {
				room = int(min(chunk, p.Upto-rd.at))
			}
			at, releasing := rd.at, rd.release != nil
			list, _, err := r.readOn(ctx, &rd, room)
			for _, d := range list {
				if alive(); !yield(d.entry, nil) {
					return
				}
			}
			if err == nil && len(list) == 0 && rd.at == at && releasing == (rd.release != nil) {
				err = fmt.Errorf("the journal gives no entry after %d, and the batch goes on to %d", rd.at, p.Upto)
			}
			if err != nil {
				if ctx.Err() == nil {
					*misread = err
				}
				yield(record.Entry{}, err)
				return
			}
		}
	}
}

// batchAnswers is what came back for a batch. A sink that delivers what others were answered keeps none: see answers.
func (r *Runner) batchAnswers() []record.Answered {
	given := r.receipts()
	if r.want[record.KindSinkAnswered] {
		return nil
	}
	list := make([]record.Answered, 0, len(given))
	for _, a := range given {
		if a.Seq > 0 && a.Seq <= r.plan.Upto && len(a.ID) <= mostGiven {
			list = append(list, tidy(a))
		}
	}
	return list
}

// parkLeftOut parks what the destination can never hold. False: not all of it is.
func (r *Runner) parkLeftOut(ctx context.Context, left []sinks.LeftOut) bool {
	if len(left) == 0 {
		return true
	}
	parked, err := r.log.Parked(r.cfg.ID)
	if err != nil {
		r.deps.Log.Warn("what is parked already cannot be listed", "error", err)
	}
	since := map[uint64]bool{} // parked when this batch was handed over before
	for _, p := range parked {
		since[p.Entry] = p.Notice > r.plan.Upto
	}
	for _, l := range left {
		if since[l.Entry.Seq] {
			continue
		}
		body := &record.Parked{Sink: r.cfg.ID, Entry: l.Entry.Seq, EntryID: l.Entry.ID, Why: short(l.Err), Stamp: r.deps.Stamp()}
		if !r.persist(ctx, "an entry that was left out of a batch cannot be parked yet", func(ctx context.Context) error {
			return r.log.Park(ctx, r.cfg.ID, l.Entry, body)
		}) {
			return false
		}
		r.deps.Log.Warn("an entry was left out of a batch for good and is parked", "batch", r.plan.Name, "entry", l.Entry.ID, "why", short(l.Err))
		r.missed(fmt.Errorf("entry %s was left out: %w", l.Entry.ID, l.Err))
	}
	r.raiseSetAside(ctx)
	return true
}

// collected moves the cursor past the batch.
func (r *Runner) collected(left uint64) {
	p := r.plan
	r.plan, r.cursor = nil, p.Upto
	r.open = gathering{reading: reading{at: p.Upto, told: max(r.open.reading.at, r.open.reading.told)}}
	r.tries, r.refusals = 0, 0
	r.setOldest(due{})
	r.keepCursor()
	r.delivered(p.Count - min(left, p.Count))
}

// roundClosed is what a round does for a sink of closed batches, once parked entries had their turn.
func (r *Runner) roundClosed(ctx context.Context, more bool) error {
	switch {
	case r.plan != nil:
		wait, err := r.collect(ctx)
		if err != nil {
			return r.unreadable(ctx, err)
		}
		r.pause(ctx, wait)
		return nil
	case more:
		return nil
	}
	return r.idle(ctx, r.untilOver())
}

// notACollector says that the sink cannot do what its configuration asks for.
func (r *Runner) notACollector() {
	why := "its configuration asks for closed batches, and it takes none"
	r.say(Stopped, why, health.Condition{Code: CodeStopped, Subject: r.cfg.ID, Severity: health.Error,
		Sentence: fmt.Sprintf("Destination %s is stopped: %s.", r.cfg.ID, why),
		Remedy:   "Nothing is lost: entries wait in the journal. Remove closed from the configuration of this destination, and restart or reload weighpost."})
}
