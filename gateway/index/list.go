package index

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// Source is the journal as it is read here.
type Source interface {
	Head() uint64
	// Read gives up to max entries after a sequence, in order.
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
}

// Listing is one page of a list.
type Listing struct {
	Entries []record.Entry
	// Next is the cursor of the page that follows, "" where this is the last. A page may be short, or empty, and have a next
	// one: where the time ran out for what the index has not come to yet.
	Next    string
	Indexed uint64 // the index has come to this entry: what is after it was read from the journal
	Head    uint64 // the last entry of the journal
	Count   uint64 // of all entries that the filter wants, where that was asked for
	// Missing is how many entries could not be read on the way to this page, and are not in it; Why tells of one of them.
	Missing uint64
	Why     error
}

// ErrBehind says that a list needs more of the journal read than there is time for, since the index has not come far enough.
var ErrBehind = errors.New("the index has not come far enough for this list")

// Lister makes lists.
type Lister struct {
	Source Source
	// DB is the index; nil: everything is read from the journal.
	DB *DB
	// Patience bounds how long entries that the index has not come to are read for one page; 0: without a bound.
	Patience time.Duration
	// Bytes bounds the JSON of one page: it ends with the entry that goes beyond; 0: without a bound.
	Bytes int
	// Chunk is how many entries are read from the journal at once; 0: 256.
	Chunk int
}

const (
	directChunk = 256
	// bridge is how many entries may lie between two wanted ones that are read in one go, as a part of Chunk.
	bridge = 16
)

// List gives one page. Errors: ErrCursor, ErrBehind, those of the journal and of ctx. What is wrong with the index is not
// one of them: the list is then made without it.
func (l Lister) List(ctx context.Context, f Filter, p Page) (Listing, error) {
	if p.Limit < 1 {
		return Listing{}, fmt.Errorf("a page of %d entries cannot be made", p.Limit)
	}
	from, err := p.read(&f)
	if err != nil {
		return Listing{}, err
	}
	if l.Chunk < 1 {
		l.Chunk = directChunk
	}
	q := query{Lister: l, f: f, p: p, from: from, head: l.Source.Head()}
	q.narrow()
	if l.DB != nil {
		err := l.DB.use(ctx, l.Source, q.head, func(s *store, blocks []block) error {
			q.store, q.blocks = s, blocks
			return q.indexed(ctx)
		})
		if err != nil && ctx.Err() != nil {
			return Listing{}, ctx.Err()
		}
		var other *journalError
		if errors.As(err, &other) {
			return Listing{}, other.err
		}
		if err == nil {
			return q.rest(ctx)
		}
		q.forget()
	}
	return q.rest(ctx)
}

// journalError is one of the journal, which is not the index's fault.
type journalError struct{ err error }

func (e *journalError) Error() string { return e.err.Error() }

// query is one list in the making.
type query struct {
	Lister
	f    Filter
	p    Page
	from *place
	head uint64
	all  Filter // f, within the head
	eff  Filter // that and, in the order of sequence, beyond the cursor

	store   *store
	blocks  []block
	covered uint64  // the index covers entries up to here
	found   []found // wanted entries of the index, in order, one more than the page has
	count   uint64
	missing uint64
	why     error
	bare    bool // the entries themselves are not read: a benchmark
}

// found is a wanted entry. Its JSON may still have to be read.
type found struct {
	place
	entry record.Entry
}

// narrow works out what the query may find at all.
func (q *query) narrow() {
	q.all = q.f
	if q.all.Before == 0 || q.all.Before > q.head+1 {
		q.all.Before = q.head + 1
	}
	q.eff = q.all
	if q.from == nil || q.p.ByTime {
		return
	}
	if q.p.Down {
		q.eff.Before = min(q.eff.Before, q.from.seq)
	} else {
		q.eff.After = max(q.eff.After, q.from.seq)
	}
}

// forget makes the query one without an index.
func (q *query) forget() {
	q.store, q.blocks, q.covered, q.found, q.count, q.missing = nil, nil, 0, nil, 0, 0
}

// indexed takes from the index what it has, and the entries themselves from the journal. An entry that turns out not to be
// wanted shows that the index is of something else.
func (q *query) indexed(ctx context.Context) error {
	if len(q.blocks) == 0 {
		return nil
	}
	q.covered = q.blocks[len(q.blocks)-1].last
	var places []place
	var err error
	if q.p.ByTime {
		top := best{n: q.p.Limit + 1, down: q.p.Down, from: q.from}
		err = q.store.byTime(q.blocks, q.eff.plan(), &top)
		places = top.list
	} else {
		places, err = q.store.bySeq(q.blocks, q.eff.plan(), q.p.Down, q.p.Limit+1)
	}
	if err == nil && q.p.Count {
		q.count, err = q.store.count(q.blocks, q.all.plan())
	}
	if err != nil {
		return err
	}
	for _, p := range places {
		q.found = append(q.found, found{place: p})
	}
	if q.bare {
		return nil
	}
	return q.fetchAll(ctx)
}

// fetchAll reads the entries that were found, as far as the page goes.
func (q *query) fetchAll(ctx context.Context) error {
	const some = 100
	size := 0
	for at := 0; at < len(q.found); at += some {
		part := q.found[at:min(at+some, len(q.found))]
		if err := q.fetch(ctx, part); err != nil {
			return err
		}
		for _, f := range part {
			size += len(f.entry.JSON)
		}
		if end := at + len(part); q.Bytes > 0 && size > q.Bytes && end < len(q.found) {
			q.found = q.found[:end+1] // one more, so that it is known that the list goes on
			return nil
		}
	}
	return nil
}

// fetch reads entries that were found.
func (q *query) fetch(ctx context.Context, list []found) error {
	bySeq := make([]int, len(list))
	for i := range bySeq {
		bySeq[i] = i
	}
	slices.SortFunc(bySeq, func(a, b int) int { return cmp.Compare(list[a].seq, list[b].seq) })
	for len(bySeq) > 0 {
		n := 1
		for n < len(bySeq) && list[bySeq[n]].seq-list[bySeq[n-1]].seq <= uint64(q.Chunk/bridge) &&
			list[bySeq[n]].seq-list[bySeq[0]].seq < uint64(q.Chunk) {
			n++
		}
		first, last := list[bySeq[0]].seq, list[bySeq[n-1]].seq
		entries, err := q.read(ctx, first-1, int(last-first+1))
		if err != nil {
			return &journalError{err}
		}
		for _, i := range bySeq[:n] {
			at, there := slices.BinarySearchFunc(entries, list[i].seq, func(e record.Entry, seq uint64) int { return cmp.Compare(e.Seq, seq) })
			if there && !q.f.Match(entries[at]) {
				return errCorrupt
			}
			if there {
				list[i].entry = entries[at]
			}
		}
		bySeq = bySeq[n:]
	}
	return nil
}

// read gives the entries after a sequence up to n further on, but for those that cannot be read.
func (q *query) read(ctx context.Context, after uint64, n int) ([]record.Entry, error) {
	var list []record.Entry
	for end := after + uint64(n); after < end; {
		entries, err := q.Source.Read(ctx, after, int(end-after))
		var lost *journal.SegmentFault
		switch {
		case errors.As(err, &lost) && lost.Seq > after && lost.Seq <= end && lost.Last >= lost.Seq:
			if lost.Seq-1 > after { // what stands before it
				before, err := q.Source.Read(ctx, after, int(lost.Seq-1-after))
				if err != nil {
					return nil, err
				}
				list = append(list, before...)
			}
			after, q.why = min(end, lost.Last), err
		case err != nil:
			return nil, err
		default:
			return append(list, entries...), nil
		}
	}
	return list, nil
}

// rest adds what the index does not cover, and makes the page.
func (q *query) rest(ctx context.Context) (Listing, error) {
	l := Listing{Indexed: q.covered, Head: q.head}
	found, stopped, err := q.direct(ctx)
	if err != nil {
		return l, err
	}
	if q.p.Count {
		if err := q.countDirect(ctx); err != nil {
			return l, err
		}
		l.Count = q.count
	}
	if len(found) > q.p.Limit {
		found = found[:q.p.Limit]
		stopped = &found[len(found)-1].place
	}
	size := 0
	for i, f := range found {
		if size += len(f.entry.JSON); q.Bytes > 0 && size > q.Bytes && i+1 < len(found) {
			found, stopped = found[:i+1], &f.place
			break
		}
	}
	for _, f := range found {
		if f.entry.Seq == 0 {
			q.missing++
			continue
		}
		l.Entries = append(l.Entries, f.entry)
	}
	l.Missing, l.Why = q.missing, q.why
	if stopped != nil {
		l.Next = q.p.write(&q.f, *stopped)
	}
	return l, nil
}

// direct joins what was found in the index with what is wanted of the entries after it. Where the time runs out, stopped
// is the place up to which everything was looked at.
func (q *query) direct(ctx context.Context) (all []found, stopped *place, err error) {
	direct := 0 // bytes
	enough := func(list []found) bool { return len(list) > q.p.Limit || q.Bytes > 0 && direct > q.Bytes }
	switch {
	case q.p.ByTime:
		all, err = q.directByTime(ctx)
		return all, nil, err
	case q.p.Down:
		stopped, err = q.walk(ctx, true, func(e record.Entry) bool {
			all = append(all, found{place{seq: e.Seq}, e})
			over := enough(all)
			direct += len(e.JSON) // the entry after the one that goes beyond is the last
			return !over
		})
		if err == nil && stopped == nil {
			all = append(all, q.found...)
		}
		return all, stopped, err
	default:
		all = q.found
		if enough(all) {
			return all, nil, nil
		}
		stopped, err = q.walk(ctx, false, func(e record.Entry) bool {
			all = append(all, found{place{seq: e.Seq}, e})
			over := enough(all)
			direct += len(e.JSON) // the entry after the one that goes beyond is the last
			return !over
		})
		return all, stopped, err
	}
}

// directByTime mixes the entries after the index among those of the index.
func (q *query) directByTime(ctx context.Context) ([]found, error) {
	top := best{n: q.p.Limit + 1, down: q.p.Down, from: q.from}
	entries := map[uint64]record.Entry{}
	for _, f := range q.found {
		top.offer(f.place)
		entries[f.seq] = f.entry
	}
	stopped, err := q.walk(ctx, false, func(e record.Entry) bool {
		p := place{facts(e, func(byte, []byte) {}), e.Seq}
		top.offer(p)
		if _, found := slices.BinarySearchFunc(top.list, p, top.order); found {
			entries[e.Seq] = e
		}
		if len(entries) > 4*top.n { // those that were pushed out again
			keep := map[uint64]record.Entry{}
			for _, p := range top.list {
				keep[p.seq] = entries[p.seq]
			}
			entries = keep
		}
		return true
	})
	if err == nil && stopped != nil {
		err = ErrBehind
	}
	var all []found
	for _, p := range top.list {
		all = append(all, found{p, entries[p.seq]})
	}
	return all, err
}

// walk reads the entries that the index does not cover and calls each for the wanted ones, until it says no. Where the time
// runs out it gives the place up to which it came.
func (q *query) walk(ctx context.Context, down bool, each func(record.Entry) bool) (stopped *place, err error) {
	low, high := max(q.covered, q.eff.After), q.eff.Before-1
	until := time.Now().Add(q.Patience)
	for at, last := low, high; at < last; {
		after, n := at, int(min(uint64(q.Chunk), last-at))
		if down {
			after = last - uint64(n)
		}
		entries, err := q.read(ctx, after, n)
		if err != nil {
			return nil, err
		}
		q.missing += uint64(n - min(n, len(entries)))
		if down {
			entries = slices.Clone(entries)
			slices.Reverse(entries)
			last = after
		} else {
			at += uint64(n)
		}
		for _, e := range entries {
			if q.eff.Match(e) && !each(e) {
				return nil, nil
			}
		}
		if q.Patience > 0 && time.Now().After(until) && at < last {
			if down {
				return &place{seq: last + 1}, nil
			}
			return &place{seq: at}, nil
		}
	}
	return nil, nil
}

// countDirect adds the wanted entries that the index does not cover.
func (q *query) countDirect(ctx context.Context) error {
	counting := *q
	counting.eff = q.all
	stopped, err := counting.walk(ctx, false, func(record.Entry) bool {
		q.count++
		return true
	})
	if err == nil && stopped != nil {
		err = ErrBehind
	}
	return err
}
