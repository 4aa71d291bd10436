package intake

import (
	"slices"
	"sync"

	"weighpost/gateway/record"
)

// room is how many entries of one balance wait in memory for the journal, before it takes of the Spare.
const room = 1024

// maxBatch is how many entries go into one append.
const maxBatch = 256

// outbox holds what one balance has for the journal, in order of arrival. What is in it leaves only when the journal has
// it. When it is full, later entries are counted, and the count takes its place in the order as soon as there is room.
// Putting never waits.
type outbox struct {
	mu      sync.Mutex
	waiting []record.Body
	barred  record.Body // it, and what is behind it, may not go yet
	gap     *record.Gap // what did not fit since the box was last full
	lost    uint64      // all that ever did not fit
	spare   *Spare
	taken   int // places of the spare
	wake    chan struct{}
}

func newOutbox(spare *Spare) *outbox { return &outbox{spare: spare, wake: make(chan struct{}, 1)} }

// put adds an entry. stamp and about are used where it does not fit and is counted instead; overflows says that it is the
// first that does not.
func (o *outbox) put(b record.Body, about record.About, stamp record.Stamp) (kept, overflows bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	defer o.poke()
	if o.fits() {
		o.waiting = append(o.waiting, b)
		return true, false
	}
	o.lost++
	if overflows = o.gap == nil; overflows {
		o.gap = &record.Gap{Balance: about, From: stamp, Why: "recording did not keep up"}
	}
	o.gap.Readings++
	o.gap.To = stamp
	return false, overflows
}

// fits finds a place for one more. While something is counted that did not fit, nothing later may pass it.
func (o *outbox) fits() bool {
	if len(o.waiting) < room {
		return true
	}
	if o.gap != nil || !o.spare.take() {
		return false
	}
	o.taken++
	return true
}

// poke wakes whoever empties the box.
func (o *outbox) poke() {
	select {
	case o.wake <- struct{}{}:
	default:
	}
}

// first gives the oldest entries without taking them out.
func (o *outbox) first() []record.Body {
	o.mu.Lock()
	defer o.mu.Unlock()
	ready := o.waiting[:min(len(o.waiting), maxBatch)]
	if o.barred != nil {
		if i := slices.Index(ready, o.barred); i >= 0 {
			ready = ready[:i]
		}
	}
	return append([]record.Body(nil), ready...)
}

// bar keeps an entry that is about to be put, and all behind it, until unbar. Only the first of several counts.
func (o *outbox) bar(b record.Body) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.barred == nil {
		o.barred = b
	}
}

// unbar lets everything go.
func (o *outbox) unbar() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.barred = nil
	o.poke()
}

// insert puts an entry right before one that is barred, or says that there is no such place.
func (o *outbox) insert(b, before record.Body) bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	at := slices.Index(o.waiting, before)
	if at < 0 || o.barred == nil || at < slices.Index(o.waiting, o.barred) {
		return false
	}
	o.waiting = slices.Insert(o.waiting, at, b)
	if before == o.barred {
		o.barred = b
	}
	return true
}

// done takes the n oldest entries out: the journal has them. why goes into the entry for what did not fit meanwhile.
func (o *outbox) done(n int, why string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	rest := copy(o.waiting, o.waiting[n:])
	clear(o.waiting[rest:])
	o.waiting = o.waiting[:rest]
	if over := max(0, rest-room); over < o.taken {
		o.spare.giveBack(o.taken - over)
		o.taken = over
	}
	if o.gap != nil {
		if why != "" {
			o.gap.Why = why
		}
		o.waiting = append(o.waiting, o.gap)
		o.gap = nil
	}
}

// count says how many entries wait, and how many did not fit since the box was last full.
func (o *outbox) count() (waiting int, unkept uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.gap != nil {
		unkept = o.gap.Readings
	}
	return len(o.waiting), unkept
}

// end gives back what was taken of the spare: nothing comes or goes any more. It says what count does.
func (o *outbox) end() (waiting int, unkept uint64) {
	o.mu.Lock()
	o.spare.giveBack(o.taken)
	o.taken = 0
	o.mu.Unlock()
	return o.count()
}

// totals says how many entries wait, and how many ever did not fit.
func (o *outbox) totals() (waiting int, lost uint64) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.waiting), o.lost
}
