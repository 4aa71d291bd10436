package deliver

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"slices"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/sinks"
)

// ErrNotDelivering says that a sink does not run, so that it cannot try.
var ErrNotDelivering = errors.New("nothing is delivered to the sink until what its condition says is mended: see there, and reload or restart weighpost")

// OnItsWay says that a parked entry is being delivered again at this moment.
type OnItsWay struct{ Seq uint64 }

func (o *OnItsWay) Error() string {
	return fmt.Sprintf("entry %d is being delivered again at this moment: look what becomes of it", o.Seq)
}

// again is which parked entries are to be delivered again. It is shared by the goroutine in Run and those who decide.
type again struct {
	queue     []uint64        // in the order of the journal
	underWay  map[uint64]bool // with the sink, or taken by it and not yet forgotten
	held      map[uint64]bool // being dropped
	arrived   []uint64        // taken by the sink, and still parked in the journal
	hurry     bool            // somebody asks for a try at once
	interrupt func()          // ends a wait
	patient   bool            // what waits keeps to a time, and ends only for hurry
	running   bool
}

// Retry has parked entries delivered again, once the body is in the journal. They stay parked until the sink has taken them. A
// restart does not forget them. Errors are ErrPaused and those of the journal; nothing is delivered then.
func (r *Runner) Retry(ctx context.Context, seqs []uint64, body *record.ParkedActed) error {
	if r.pausedBy() != nil {
		return ErrPaused
	}
	if err := r.log.ParkAgain(ctx, r.cfg.ID, seqs, body); err != nil {
		return err
	}
	r.enqueue(seqs)
	return nil
}

// enqueue notes parked entries that are to be delivered again.
func (r *Runner) enqueue(seqs []uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, seq := range seqs {
		if at, there := slices.BinarySearch(r.again.queue, seq); !there {
			r.again.queue = slices.Insert(r.again.queue, at, seq)
		}
	}
	if r.again.interrupt != nil && !r.again.patient {
		r.again.interrupt()
	}
}

// Drop ends that entries are parked, with the body that says so: they are not delivered. An entry that is with the sink at this
// moment is an error, *OnItsWay; other errors are those of the journal.
func (r *Runner) Drop(ctx context.Context, seqs []uint64, body *record.ParkedActed) error {
	r.mu.Lock()
	for _, seq := range seqs {
		if r.again.underWay[seq] {
			r.mu.Unlock()
			return &OnItsWay{seq}
		}
	}
	for _, seq := range seqs {
		r.again.held[seq] = true
	}
	r.mu.Unlock()
	done := make(chan error, 1)
	// Whoever asks may not wait for long; whether the journal has it decides whether these entries may be delivered. It ends with
	// the journal's answer, which a closed journal gives as well.
	go func() {
		err := r.log.Unpark(context.WithoutCancel(ctx), r.cfg.ID, seqs, body)
		r.dropped(seqs, err)
		r.raiseSetAside(context.WithoutCancel(ctx))
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("handed to the journal, but not known to be recorded: %w", ctx.Err())
	}
}

func (r *Runner) dropped(seqs []uint64, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, seq := range seqs {
		delete(r.again.held, seq)
	}
	if err != nil {
		return
	}
	r.again.queue = slices.DeleteFunc(r.again.queue, func(seq uint64) bool { return slices.Contains(seqs, seq) })
}

// TryNow has a sink that waits or is stopped try at once, and one that collects a batch send what it has.
func (r *Runner) TryNow() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.paused != nil {
		return ErrPaused
	}
	if !r.again.running {
		return ErrNotDelivering
	}
	r.again.hurry = true
	if r.again.interrupt != nil {
		r.again.interrupt()
	}
	return nil
}

// Running says whether the sink delivers, or tries to.
func (r *Runner) Running() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.again.running
}

func (r *Runner) runs(yes bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.again.running = yes
}

// interruptible gives a context that ends when somebody asks for a try at once or, unless it is patient, decides about parked
// entries. The second function is to be called at the end.
func (r *Runner) interruptible(ctx context.Context, patient bool) (context.Context, func()) {
	wctx, cancel := context.WithCancel(ctx)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.again.interrupt, r.again.patient = cancel, patient
	if r.paused != nil || r.again.hurry || !patient && r.readyAgain() {
		cancel()
	}
	return wctx, func() {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.again.interrupt = nil
		cancel()
	}
}

// hurried says whether somebody asks for a try at once; with taken that is over.
func (r *Runner) hurried(taken bool) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	was := r.again.hurry
	r.again.hurry = was && !taken
	return was
}

// readyAgain says, under r.mu, whether parked entries can be delivered again.
func (r *Runner) readyAgain() bool {
	return slices.ContainsFunc(r.again.queue, func(seq uint64) bool { return !r.again.held[seq] && !r.again.underWay[seq] })
}

// takeAgain takes up to max parked entries to deliver them again.
func (r *Runner) takeAgain(max int) (seqs []uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, seq := range r.again.queue {
		if len(seqs) < max && !r.again.held[seq] && !r.again.underWay[seq] {
			seqs = append(seqs, seq)
			r.again.underWay[seq] = true
		}
	}
	return seqs
}

// giveBack ends that entries are under way. With out they are not to be delivered again.
func (r *Runner) giveBack(out bool, seqs ...uint64) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, seq := range seqs {
		delete(r.again.underWay, seq)
		if at, there := slices.BinarySearch(r.again.queue, seq); there && out {
			r.again.queue = slices.Delete(r.again.queue, at, at+1)
		}
	}
}

// deliverAgain hands parked entries that somebody asks for to the sink, behind what is due anyway. did says whether there were any;
// wait is how long to wait then.
func (r *Runner) deliverAgain(ctx context.Context) (did bool, wait time.Duration, err error) {
	r.forgetArrived(ctx)
	most := r.cfg.BatchSize
	switch {
	case r.closing.on(), r.stopped && !r.due():
		most = 1
	case (r.tries > 0 || r.stopped) && r.due():
		return false, 0, nil // what is due comes first, and tells when the sink works
	}
	seqs := r.takeAgain(most)
	if len(seqs) == 0 {
		return false, 0, nil
	}
	defer r.settleAgain(seqs)
	batch := make([]record.Entry, 0, len(seqs))
	for _, seq := range seqs {
		entries, err := r.log.Read(ctx, seq-1, 1)
		if err != nil {
			return true, 0, err
		}
		if len(entries) != 1 || entries[0].Seq != seq {
			return true, 0, fmt.Errorf("entry %d, which is set aside, is not in the journal", seq)
		}
		entries[0].Late = true
		batch = append(batch, entries[0])
	}
	r.hurried(true)
	n, err := r.tryAgain(ctx, batch)
	if !r.recordAnswers(ctx, r.answers(batch, n)) {
		return true, 0, nil
	}
	r.tookAgain(seqs[:n])
	if err != nil && r.cut(ctx) {
		return true, 0, nil
	}
	var refused sinks.Refused
	if n < len(batch) && errors.As(err, &refused) {
		return true, r.refuseAgain(ctx, batch[n], refused.Err), nil
	}
	return true, r.judge(ctx, err), nil
}

// tryAgain hands parked entries over. A sink of closed batches gets each as a batch of its own: theirs are closed.
func (r *Runner) tryAgain(ctx context.Context, batch []record.Entry) (n int, err error) {
	if !r.closing.on() {
		return r.try(ctx, batch)
	}
	if r.pausedBy() != nil {
		return 0, ErrPaused
	}
	e := batch[0]
	alone := planned{Name: fmt.Sprintf("late-%06d", e.Seq), First: e.Seq, Last: e.Seq, Count: 1}
	left, err := r.handBatch(ctx, alone, func(context.Context, func()) iter.Seq2[record.Entry, error] {
		return func(yield func(record.Entry, error) bool) { yield(e, nil) }
	})
	if err == nil && len(left) > 0 {
		return 0, sinks.Refused{Err: left[0].Err}
	}
	if err != nil {
		return 0, err
	}
	return 1, nil
}

// settleAgain gives back what did not arrive.
func (r *Runner) settleAgain(seqs []uint64) {
	r.mu.Lock()
	left := slices.DeleteFunc(slices.Clone(seqs), func(seq uint64) bool { return slices.Contains(r.again.arrived, seq) })
	r.mu.Unlock()
	r.giveBack(false, left...)
}

// tookAgain notes what the sink has taken.
func (r *Runner) tookAgain(seqs []uint64) {
	if len(seqs) == 0 {
		return
	}
	r.tries = 0
	r.mu.Lock()
	r.again.arrived = append(r.again.arrived, seqs...)
	r.mu.Unlock()
	r.delivered(uint64(len(seqs)))
}

// forgetArrived ends that entries are parked which arrived. As long as the journal cannot be written they are not delivered once
// more, unless weighpost is restarted: then they come again, with the same id.
func (r *Runner) forgetArrived(ctx context.Context) {
	r.mu.Lock()
	arrived := slices.Clone(r.again.arrived)
	r.mu.Unlock()
	for part := range slices.Chunk(arrived, record.MostParked) {
		if err := r.log.Unpark(ctx, r.cfg.ID, part); err != nil {
			if ctx.Err() == nil {
				r.deps.Log.Warn("that parked entries have arrived is not noted yet", "error", err)
			}
			return
		}
		r.giveBack(true, part...)
		r.mu.Lock()
		r.again.arrived = r.again.arrived[len(part):]
		r.mu.Unlock()
		r.raiseSetAside(ctx)
	}
}

// refuseAgain keeps an entry parked that was refused once more, for the new reason. That somebody tries what was refused before says
// nothing against the sink.
func (r *Runner) refuseAgain(ctx context.Context, e record.Entry, why error) time.Duration {
	body := &record.Parked{Sink: r.cfg.ID, Entry: e.Seq, EntryID: e.ID, Why: short(why), Stamp: r.deps.Stamp()}
	if err := r.log.Park(ctx, r.cfg.ID, e, body); err != nil {
		if ctx.Err() != nil {
			return 0
		}
		return r.failed(fmt.Errorf("entry %s was refused again (%s), which cannot be recorded: %w", e.ID, short(why), err),
			health.Ref{Code: health.RecordingStopped, Subject: "journal"})
	}
	r.giveBack(true, e.Seq)
	r.deps.Log.Warn("a parked entry was refused again", "entry", e.ID, "why", short(why))
	r.missed(fmt.Errorf("entry %s was refused: %w", e.ID, why))
	r.raiseSetAside(ctx)
	if r.stopped && r.rejected {
		return 0 // it is known to refuse; each that was asked for has its answer
	}
	r.worked()
	return 0
}

// recallParked finds, at a start, which parked entries somebody asked for and that did not arrive.
func (r *Runner) recallParked(ctx context.Context) {
	list, err := r.log.Parked(r.cfg.ID)
	asked := map[uint64]bool{} // by notice
	var seqs []uint64
	for _, p := range list {
		again, known := asked[p.Notice]
		if !known && err == nil {
			var entries []record.Entry
			entries, err = r.log.Read(ctx, p.Notice-1, 1)
			again = err == nil && len(entries) == 1 && entries[0].Kind == record.KindParkedRetried
			asked[p.Notice] = again
		}
		if again {
			seqs = append(seqs, p.Entry)
		}
	}
	if err != nil && ctx.Err() == nil {
		r.deps.Log.Warn("which parked entries were asked for again cannot be seen; they stay parked", "error", err)
	}
	r.enqueue(seqs)
}

// Reader reads entries of the journal.
type Reader interface {
	// Read gives up to max entries after a sequence, in order.
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
}

// WhyParked reads the notice of a parked entry, or of the last that it is about where entry is 0. asked is who asks for it to be
// delivered again, while the outcome is open; else nil.
func WhyParked(ctx context.Context, log Reader, entry, notice uint64) (why record.Parked, asked *record.ParkedActed, err error) {
	entries, err := log.Read(ctx, notice-1, 1)
	if err == nil && len(entries) == 1 && entries[0].Kind == record.KindParkedRetried {
		asked = new(record.ParkedActed)
		if err := json.Unmarshal(entries[0].JSON, asked); err != nil {
			return why, nil, err
		}
		if notice = asked.NoticeOf(entry); entry == 0 && len(asked.Entries) > 0 {
			notice = asked.Entries[len(asked.Entries)-1].Notice
		}
		if notice == 0 {
			return why, asked, nil
		}
		entries, err = log.Read(ctx, notice-1, 1)
	}
	if err == nil && len(entries) == 1 {
		err = json.Unmarshal(entries[0].JSON, &why)
	}
	return why, asked, err
}
