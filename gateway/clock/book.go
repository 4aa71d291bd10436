package clock

import (
	"context"
	"fmt"
	"sync"
	"time"

	"weighpost/gateway/record"
)

// The pauses between two tries to append what the journal did not take, and how long the end of Run waits for it.
const (
	retryFirst = 100 * time.Millisecond
	retryLast  = 5 * time.Second
	drainLimit = 3 * time.Second
)

// bookRoom is how many entries wait in memory for the journal.
const bookRoom = 128

// book takes entries to the journal, in order. Putting never waits.
type book struct {
	to   Recorder
	head func() uint64 // may be nil
	wake chan struct{}

	mu      sync.Mutex
	waiting []record.Body
	lost    int // that did not fit since the book was last full
}

func newBook(to Recorder, head func() uint64) *book {
	return &book{to: to, head: head, wake: make(chan struct{}, 1)}
}

// put adds an entry. When the book is full the entry is counted, and the next that fits says how many are missing.
func (b *book) put(e record.Body) {
	b.mu.Lock()
	if len(b.waiting) >= bookRoom {
		b.lost++
		b.mu.Unlock()
		return
	}
	if change, ok := e.(*record.ClockChange); ok && b.lost > 0 {
		change.Why += fmt.Sprintf(" %d changes before this one could not be kept while the journal did not record.", b.lost)
		b.lost = 0
	}
	b.waiting = append(b.waiting, e)
	b.mu.Unlock()
	select {
	case b.wake <- struct{}{}:
	default:
	}
}

// first gives the oldest entry without taking it out.
func (b *book) first() record.Body {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.waiting) == 0 {
		return nil
	}
	return b.waiting[0]
}

func (b *book) done() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.waiting[0] = nil
	b.waiting = b.waiting[1:]
}

// write appends what is put until ended is closed and nothing is left, or ctx ends.
func (b *book) write(ctx context.Context, ended <-chan struct{}) {
	for {
		for e := b.first(); e != nil; e = b.first() {
			if !b.append(ctx, e) {
				return
			}
			b.done()
		}
		select {
		case <-ctx.Done():
			return
		case <-b.wake:
		case <-ended:
			if b.first() == nil {
				return
			}
		}
	}
}

// append tries until the journal has the entry. It is false when ctx ended first.
func (b *book) append(ctx context.Context, e record.Body) bool {
	if c, ok := e.(*record.ClockCorrected); ok && c.To == 0 {
		// Everything that was stamped before the change has had its time to be recorded; what was stamped after it says so.
		if c.To = b.head(); c.To < c.From {
			return true // nothing was recorded that it could correct
		}
	}
	for pause := retryFirst; ; pause = min(2*pause, retryLast) {
		if _, err := b.to.Append(ctx, e); err == nil {
			return true
		}
		select {
		case <-ctx.Done():
			return false
		case <-time.After(pause):
		}
	}
}

// left says what was not recorded, or nil.
func (b *book) left() error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if n := len(b.waiting) + b.lost; n > 0 {
		return fmt.Errorf("%d changes of the clock could not be recorded before the stop", n)
	}
	return nil
}
