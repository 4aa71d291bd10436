package intake

import (
	"context"
	"fmt"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// The pauses between two tries to append what the journal did not take.
const (
	retryFirst = 100 * time.Millisecond
	retryLast  = 2 * time.Second
)

const notRecorded = health.ReadingsNotRecorded // code of the condition

// recordAll empties the outbox into the journal until ended is closed and nothing is left, or ctx ends. It also ends the
// periods and minutes that run out while the balance is silent.
func (in *Intake) recordAll(ctx context.Context, ended <-chan struct{}) {
	timer := time.NewTimer(time.Hour)
	defer timer.Stop()
	for {
		if batch := in.out.first(); len(batch) > 0 {
			if !in.appendUntilDone(ctx, batch) {
				return
			}
			continue
		}
		select {
		case <-ended:
			if n, _ := in.out.count(); n == 0 {
				return
			}
			continue
		default:
		}
		timer.Reset(in.untilDue())
		select {
		case <-ctx.Done():
			return
		case <-ended:
		case <-in.out.wake:
		case <-timer.C:
			in.endPeriods(in.now())
		}
	}
}

// untilDue is how long nothing needs to be done if the balance stays silent.
func (in *Intake) untilDue() time.Duration {
	in.mu.Lock()
	due := in.nextDue()
	in.mu.Unlock()
	if due.IsZero() {
		return time.Hour
	}
	return max(due.Sub(in.now()), 0)
}

// appendUntilDone appends one batch, trying again until the journal has it. It is false when ctx ended first.
func (in *Intake) appendUntilDone(ctx context.Context, batch []record.Body) bool {
	pause, why := retryFirst, ""
	for {
		in.pulse.work(in.now())
		answered := in.watchAppend()
		entries, err := in.recorder.Append(ctx, batch...)
		answered()
		if err == nil {
			if in.troubled.Swap(false) {
				in.board.Clear(notRecorded, in.about.ID)
				in.log.Info("recording again", "balance", in.about.ID, "entries", len(batch))
			}
			in.out.done(len(batch), why)
			in.tellRecorded(entries, batch)
			in.tellDurable(entries, batch)
			in.pulse.rest()
			return true
		}
		in.pulse.rest()
		if ctx.Err() != nil {
			return false
		}
		why = err.Error()
		in.raiseNotRecorded(why)
		if !in.pauseFor(ctx, pause, why) {
			return false
		}
		pause = min(2*pause, retryLast)
	}
}

// pauseFor waits until the next try, and tells of each print that comes meanwhile. It is false when ctx ended first.
func (in *Intake) pauseFor(ctx context.Context, pause time.Duration, why string) bool {
	next := time.NewTimer(pause)
	defer next.Stop()
	for {
		in.tellWaiting(why, 0)
		select {
		case <-ctx.Done():
			return false
		case <-in.out.wake: // whoever waits for it looks into the outbox anyway
		case <-next.C:
			return true
		}
	}
}

// put leaves an entry for the journal, or says that there is no room for it. It never waits.
func (in *Intake) put(b record.Body, stamp record.Stamp) (kept bool) {
	kept, overflows := in.out.put(b, in.about, stamp)
	if overflows {
		in.raiseNotRecorded("the journal does not keep up")
	}
	return kept
}

func (in *Intake) raiseNotRecorded(why string) {
	in.troubled.Store(true)
	waiting, unkept := in.out.count()
	sentence := fmt.Sprintf("Readings of balance %s are not being recorded: %s. %d wait in memory", in.about.ID, why, waiting)
	if unkept > 0 {
		sentence += fmt.Sprintf(", and %d more could not be kept", unkept)
	}
	in.board.Raise(health.Condition{
		Code: notRecorded, Subject: in.about.ID, Severity: health.Error, Sentence: sentence + ".",
		Remedy: "Copy weights by hand until this is gone. See what stops the journal, most often a full disk. What waits is recorded by itself afterwards; " +
			fmt.Sprintf("at least %d readings are kept so, later ones are counted, and a weight that is only counted is gone.", room),
	})
}

// sampleOf is the sample that a weighing is about, as far as it is known.
func sampleOf(w *record.Weighing) string {
	if w.Context.Sample == nil {
		return ""
	}
	return w.Context.Sample.ID
}

// personOf is who weighed, as far as it is known.
func personOf(w *record.Weighing) string {
	if w.Context.Person == nil {
		return ""
	}
	return w.Context.Person.ID
}

// tellRecorded tells the screens what is now durable, and nothing before it is.
func (in *Intake) tellRecorded(entries []record.Entry, batch []record.Body) {
	for i, b := range batch {
		var w *record.Weighing
		switch b := b.(type) {
		case *record.Weighing:
			w = b
		case *record.Result:
			w = &b.Weighing
		case *record.ContextChange, *record.Command:
			in.noteDurable(b, entries[i].ID)
			continue
		default:
			continue
		}
		id := entries[i].ID
		in.noteRecorded(id, w)
		in.noteDurable(batch[i], id)
		in.live.Publish(record.Live{
			Balance: in.about.ID, UTC: w.Stamp.UTC, Value: &w.Value, Printed: w.Printed, Recorded: id, Sample: sampleOf(w), Person: personOf(w),
		})
	}
}

// awaited is an entry whose id somebody waits for.
type awaited struct {
	body record.Body
	id   chan string
}

// await has the id of an entry told once it is durable. in.mu is held.
func (in *Intake) await(b record.Body) *awaited {
	a := &awaited{b, make(chan string, 1)}
	in.durable[b] = a
	return a
}

// noteDurable tells whoever waits for an entry under which id the journal has it.
func (in *Intake) noteDurable(b record.Body, id string) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if a := in.durable[b]; a != nil {
		a.id <- id
		delete(in.durable, b)
	}
}
