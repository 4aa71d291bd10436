// Package memory is a journal in memory, for tests of rooms that take the journal as a small interface and are not about disks.
package memory

import (
	"context"
	"encoding/json"
	"slices"
	"sync"

	"weighpost/gateway/record"
)

// life is the incarnation in the ids of all entries.
const life = "aaaaa"

// Journal is a journal in memory. Its methods may be called from any goroutine.
type Journal struct {
	site string

	mu                 sync.Mutex
	entries            []record.Entry
	numbers            map[string]uint64 // the last number of each balance
	more               chan struct{}     // closed and made anew with each append
	unwritable, unread error
}

// New makes an empty journal of a site.
func New(site string) *Journal {
	return &Journal{site: site, numbers: map[string]uint64{}, more: make(chan struct{})}
}

// FailAppends has each append return an error from here on; nil: none any more.
func (j *Journal) FailAppends(err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.unwritable = err
}

// FailReads has each read return an error from here on; nil: none any more.
func (j *Journal) FailReads(err error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.unread = err
}

// Head is the sequence of the last entry, 0 where there is none.
func (j *Journal) Head() uint64 {
	j.mu.Lock()
	defer j.mu.Unlock()
	return uint64(len(j.entries))
}

// Read gives entries after a sequence, at most so many.
func (j *Journal) Read(_ context.Context, after uint64, most int) ([]record.Entry, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.unread != nil {
		return nil, j.unread
	}
	n := uint64(len(j.entries))
	after = min(after, n)
	return slices.Clone(j.entries[after : after+min(uint64(most), n-after)]), nil
}

// Wait returns once there is an entry after a sequence, or with the error of ctx.
func (j *Journal) Wait(ctx context.Context, after uint64) error {
	for {
		j.mu.Lock()
		there, more := uint64(len(j.entries)) > after, j.more
		j.mu.Unlock()
		if there {
			return nil
		}
		select {
		case <-more:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// Append gives entries their identity, as the journal does, and takes all of them or none.
func (j *Journal) Append(_ context.Context, bodies ...record.Body) ([]record.Entry, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	if j.unwritable != nil {
		return nil, j.unwritable
	}
	var out []record.Entry
	for i, b := range bodies {
		if f, is := b.(record.Follower); is && i > 0 {
			f.Follow(*bodies[i-1].Identity())
		}
		e := record.Entry{Seq: uint64(len(j.entries) + len(out) + 1), Kind: b.Kind(), Balance: b.Subject()}
		balance, n := "", e.Seq
		if b.Kind().Numbered() {
			balance = b.Subject()
			j.numbers[balance]++
			n = j.numbers[balance]
		}
		e.ID = record.EntryID(j.site, life, balance, n)
		*b.Identity() = record.Head{Schema: b.Kind().Schema(), ID: e.ID, Seq: e.Seq, Site: j.site}
		var err error
		if e.JSON, err = json.Marshal(b); err != nil {
			return nil, err
		}
		out = append(out, e)
	}
	j.entries = append(j.entries, out...)
	close(j.more)
	j.more = make(chan struct{})
	return out, nil
}
