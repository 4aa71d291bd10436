package journal

import (
	"context"
	"sync"

	"weighpost/gateway/record"
)

// tail is the end of the journal in memory: readers that keep up never touch the disk.
type tail struct {
	mu      sync.Mutex
	last    uint64         // sequence of the last recorded entry
	entries []record.Entry // the newest, without gaps, up to last
	bytes   int
	waiting map[chan struct{}]uint64 // closed when last is above that, or with the tail
	closed  bool
}

// What the tail keeps at least and at most; between the two it costs no copying.
const tailEntries, tailBytes = 1024, 1 << 20

func (t *tail) start(last uint64) {
	t.last = last
	t.waiting = map[chan struct{}]uint64{}
}

func (t *tail) head() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.last
}

// wait is woken once, when there is more than that: whoever wants many at once costs nothing meanwhile.
func (t *tail) wait(ctx context.Context, after uint64) error {
	t.mu.Lock()
	if t.last > after {
		t.mu.Unlock()
		return nil
	}
	if t.closed {
		t.mu.Unlock()
		return ErrClosed
	}
	come := make(chan struct{})
	t.waiting[come] = after
	t.mu.Unlock()
	select {
	case <-come:
	case <-ctx.Done():
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	delete(t.waiting, come)
	switch {
	case t.last > after:
		return nil
	case t.closed:
		return ErrClosed
	}
	return ctx.Err()
}

// publish makes new entries readable.
func (t *tail) publish(rows []row) {
	if len(rows) == 0 {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, r := range rows {
		t.entries = append(t.entries, r.entry)
		t.bytes += len(r.entry.JSON)
	}
	t.last = rows[len(rows)-1].entry.Seq
	if len(t.entries) > 2*tailEntries || t.bytes > 2*tailBytes {
		t.trim()
	}
	for come, after := range t.waiting {
		if t.last > after {
			close(come)
			delete(t.waiting, come)
		}
	}
}

func (t *tail) trim() {
	drop := max(0, len(t.entries)-tailEntries)
	for _, e := range t.entries[:drop] {
		t.bytes -= len(e.JSON)
	}
	for drop < len(t.entries) && t.bytes > tailBytes {
		t.bytes -= len(t.entries[drop].JSON)
		drop++
	}
	t.entries = append([]record.Entry(nil), t.entries[drop:]...)
}

// read gives entries after a sequence if the tail reaches back that far, and the head in any case.
func (t *tail) read(after uint64, max int) (entries []record.Entry, last uint64, ok bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if after >= t.last {
		return nil, t.last, true
	}
	n := t.last - after
	if n > uint64(len(t.entries)) {
		return nil, t.last, false
	}
	have := t.entries[uint64(len(t.entries))-n:]
	return append(entries, have[:min(max, len(have))]...), t.last, true
}

func (t *tail) close() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.closed = true
	for come := range t.waiting {
		close(come)
	}
	clear(t.waiting)
}
