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
	moved   chan struct{} // closed at the next move
	closed  bool
}

// What the tail keeps at least and at most; between the two it costs no copying.
const tailEntries, tailBytes = 1024, 1 << 20

func (t *tail) start(last uint64) {
	t.last = last
	t.moved = make(chan struct{})
}

func (t *tail) head() uint64 {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.last
}

func (t *tail) wait(ctx context.Context, after uint64) error {
	for {
		t.mu.Lock()
		last, moved, closed := t.last, t.moved, t.closed
		t.mu.Unlock()
		if last > after {
			return nil
		}
		if closed {
			return ErrClosed
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
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
	close(t.moved)
	t.moved = make(chan struct{})
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
	if !t.closed {
		t.closed = true
		close(t.moved)
		t.moved = make(chan struct{})
	}
}
