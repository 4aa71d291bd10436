package journal

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"time"

	"github.com/ncruces/go-sqlite3"

	"weighpost/gateway/record"
)

// Place is where copies of segments go. Its methods end soon after ctx does.
type Place interface {
	// Where names it for people and for the entry: a folder, or a sink with its destination.
	Where() string
	// Store keeps what r gives under a name, durably. The same bytes again are no error; other bytes are not replaced.
	Store(ctx context.Context, name string, r io.Reader) error
	// Fetch gives what is kept under a name.
	Fetch(ctx context.Context, name string) (io.ReadCloser, error)
}

// SealOptions says what may be sealed and where copies go.
type SealOptions struct {
	// Before is the instant before which an entry must have been recorded. Later than KeepAtLeast before now is refused.
	Before time.Time
	// KeepAtLeast is the age that every sealed entry has, whatever else is asked.
	KeepAtLeast time.Duration
	// Size is how many entries a segment holds.
	Size uint64
	// Late is the instant before which the oldest of the entries must have been recorded for a segment of fewer than Size, and
	// at least 1,000: zero means never. With All, any number makes a segment.
	Late time.Time
	All  bool
	// Unchecked lets stamps of a clock count that no time server has checked.
	Unchecked bool
	// Readers must have passed an entry before it is sealed.
	Readers []SealReader
	Places  []Place
	By      record.Actor
	Reason  string
	Rule    string // what made the entries ready, a sentence; it becomes part of the entry
	Stamp   func() record.Stamp
	// Progress is told what is being done, and how far it is; it may be nil.
	Progress func(what string, done, total uint64)
}

// SealReader is somebody who still needs the entries after a cursor.
type SealReader struct {
	Cursor string
	Why    string // a sentence about the last entry that may be sealed, with %d for it
}

// Sealed is what a sealing did.
type Sealed struct {
	Segments []Segment `json:"segments"`
	Why      string    `json:"why"` // why it is no more than that
}

// keptAtEnd is how many of the last entries are never sealed: a start reads them.
const keptAtEnd = checkedAtStart

// defaultSegment is how many entries a segment holds where nothing is said.
const defaultSegment = 50_000

// leastSegment is how many entries make a segment that nobody asked for: without, a quiet lab would get one of a few entries a
// day.
const leastSegment = 1000

// limit is a last entry that may be sealed, and why no later one.
type limit struct {
	seq uint64
	why string
}

// sealer is one sealing.
type sealer struct {
	j     *Journal
	o     SealOptions
	first uint64 // the first entry that is not sealed
}

// startSealing readies a sealing and refuses one that may not be.
func (j *Journal) startSealing(ctx context.Context, o SealOptions) (*sealer, error) {
	if o.Size == 0 {
		o.Size = defaultSegment
	}
	if o.Progress == nil {
		o.Progress = func(string, uint64, uint64) {}
	}
	s := &sealer{j: j, o: o}
	now, err := s.now(ctx)
	if err != nil {
		return nil, err
	}
	if youngest := now.Add(-o.KeepAtLeast); o.Before.After(youngest) {
		return nil, fmt.Errorf("entries from before %s cannot be sealed yet: nothing that was recorded within %s may be "+
			"(keep_at_least), which now is what came after %s", o.Before.UTC().Format(time.RFC3339), days(o.KeepAtLeast), youngest.UTC().Format(time.RFC3339))
	}
	err = j.withReader(func(db *sqlite3.Conn) error {
		return query(db, "SELECT coalesce(max(last), 0) FROM segments", nil, func(row *sqlite3.Stmt) error {
			s.first = uint64(row.ColumnInt64(0)) + 1
			return nil
		})
	})
	return s, err
}

// now is the present as far as it can be trusted: where the clock cannot, the newest stamp near the end of the journal that
// can. It may lie back, which keeps more, and never ahead.
func (s *sealer) now(ctx context.Context) (time.Time, error) {
	stamp := s.o.Stamp()
	if s.o.Unchecked || stamp.Clock != record.ClockUnchecked {
		return stamp.UTC.Time(), nil
	}
	var newest time.Time
	head := s.j.Head()
	for after := head - min(head, keptAtEnd); after < head; {
		entries, err := s.j.Read(ctx, after, keptAtEnd)
		if err != nil {
			return newest, err
		}
		for _, e := range entries {
			if at, ok := s.stampOf(e.JSON); ok && at.After(newest) {
				newest = at
			}
		}
		after += uint64(len(entries))
	}
	if newest.IsZero() {
		return newest, fmt.Errorf("nothing can be sealed, because nobody knows how old entries are: the clock is unchecked now and "+
			"was when the last %d entries were recorded. Configure time servers, or set unchecked_clock under retention", keptAtEnd)
	}
	return newest, nil
}

// stampOf gives the instant of an entry, if its clock can be trusted.
func (s *sealer) stampOf(raw []byte) (time.Time, bool) {
	var x struct {
		Stamp *record.Stamp   `json:"stamp"`
		To    json.RawMessage `json:"to"`
	}
	if json.Unmarshal(raw, &x) != nil {
		return time.Time{}, false
	}
	if x.Stamp == nil { // of a summary, which ends when it was recorded
		x.Stamp = new(record.Stamp)
		if json.Unmarshal(x.To, x.Stamp) != nil {
			return time.Time{}, false
		}
	}
	known := x.Stamp.Clock == record.ClockChecked || x.Stamp.Clock == record.ClockHoldover
	return x.Stamp.UTC.Time(), (known || s.o.Unchecked) && !x.Stamp.UTC.Time().IsZero()
}

// limits gives the last entry that may be sealed whatever its age, and why.
func (s *sealer) limits() (limit, error) {
	head := s.j.Head()
	least := limit{head - min(head, keptAtEnd), fmt.Sprintf("the last %d entries are always kept", keptAtEnd)}
	lower := func(seq uint64, format string, args ...any) {
		if seq < least.seq {
			least = limit{seq, fmt.Sprintf(format, args...)}
		}
	}
	for _, r := range s.o.Readers {
		at, err := s.j.Cursor(r.Cursor)
		if err != nil {
			return least, err
		}
		lower(at, r.Why, at)
	}
	return least, s.j.withReader(func(db *sqlite3.Conn) error {
		stmt := "SELECT cursor, seq FROM parked ORDER BY seq LIMIT 1"
		return query(db, stmt, nil, func(row *sqlite3.Stmt) error {
			if seq := uint64(row.ColumnInt64(1)); seq > 0 {
				lower(seq-1, "entry %d is parked for %s", seq, row.ColumnText(0))
			}
			return nil
		})
	})
}

// span is a run of entries that could become a segment.
type span struct {
	first, last uint64 // last is first-1 where there is none
	from, to    time.Time
	bytes       uint64
	why         string // why it ends there
}

// next looks at up to size entries from an entry on. The last one of them that may be sealed is the last whose own stamp can be
// trusted and is old enough: what was recorded before it is at least as old, whatever its stamp says. A stamp that can be
// trusted and is too young ends the span.
func (s *sealer) next(ctx context.Context, first, size uint64, to limit) (span, error) {
	x := span{first: first, last: first - 1, why: to.why}
	bytes := uint64(0)
	for after := first - 1; after < to.seq && after < first-1+size; {
		entries, err := s.j.Read(ctx, after, int(min(500, to.seq-after, first-1+size-after)))
		if err != nil {
			return x, err
		}
		for _, e := range entries {
			after, bytes = e.Seq, bytes+uint64(len(e.JSON))
			at, ok := s.stampOf(e.JSON)
			if ok && !at.Before(s.o.Before) {
				x.why = fmt.Sprintf("entry %d is of %s, and what may be sealed is from before %s", e.Seq, at.UTC().Format(time.RFC3339),
					s.o.Before.UTC().Format(time.RFC3339))
				return x, nil
			}
			if ok {
				if x.from.IsZero() {
					x.from = at
				}
				x.last, x.to, x.bytes = e.Seq, at, bytes
			}
		}
	}
	if n := x.last + 1 - x.first; n == 0 && to.seq >= first {
		x.why = fmt.Sprintf("no entry from %d to %d has a stamp that can be trusted", first, min(to.seq, first-1+size))
	}
	return x, nil
}

// ripe says whether a span is to become a segment, or why not.
func (s *sealer) ripe(x span) (bool, string) {
	n := x.last + 1 - x.first
	switch {
	case n == 0:
		return false, x.why
	case n >= s.o.Size || s.o.All, !s.o.Late.IsZero() && x.from.Before(s.o.Late) && n >= leastSegment:
		return true, ""
	}
	return false, fmt.Sprintf("%d entries are ready, fewer than a segment of %d; %s", n, s.o.Size, x.why)
}

// PlanSealing says what Seal would do now. It changes nothing.
func (j *Journal) PlanSealing(ctx context.Context, o SealOptions) (record.SealPlan, error) {
	s, err := j.startSealing(ctx, o)
	if err != nil {
		return record.SealPlan{}, err
	}
	to, err := s.limits()
	if err != nil {
		return record.SealPlan{}, err
	}
	p := record.SealPlan{First: s.first, Last: s.first - 1, Copies: []string{}}
	for _, place := range o.Places {
		p.Copies = append(p.Copies, place.Where())
	}
	list, err := j.unfinished()
	if err != nil {
		return p, err
	}
	p.Resumes = len(list) > 0
	for {
		s.o.Progress("looking", p.Last, to.seq)
		x, err := s.next(ctx, p.Last+1, s.o.Size, to)
		if err != nil {
			return p, err
		}
		ok, why := s.ripe(x)
		if !ok {
			p.Why = why
			return p, nil
		}
		if p.From.IsZero() {
			p.From = x.from
		}
		p.Last, p.To, p.Bytes, p.Segments = x.last, x.to, p.Bytes+x.bytes, p.Segments+1
	}
}

// Seal moves the bytes of the oldest entries into segments, as far as they may be: each is written, read back and held against
// the tree, copied to every place and read back there, noted in an entry, and only then are the bytes taken out of journal.db.
// What an earlier sealing left half done is finished first. Recording goes on meanwhile.
//
// With an error nothing is lost: every entry is in journal.db, or in a segment that was read back. Errors: a place that cannot
// be reached or gives other bytes, the disk's, ErrStopped, ctx's.
func (j *Journal) Seal(ctx context.Context, o SealOptions) (Sealed, error) {
	done := Sealed{Segments: []Segment{}}
	if !j.sealing.TryLock() {
		return done, fmt.Errorf("entries are being sealed already: wait until that is done")
	}
	defer j.sealing.Unlock()
	if err := j.finishSealing(ctx, o.Progress); err != nil {
		return done, err
	}
	s, err := j.startSealing(ctx, o)
	if err != nil {
		return done, err
	}
	end, err := s.limits()
	if err != nil {
		return done, err
	}
	for {
		to, err := s.limits() // a cursor may have been set back since
		if err != nil {
			return done, err
		}
		if to.seq > end.seq {
			to = end // that segments are told of lengthens the journal, and would never end
		}
		x, err := s.next(ctx, s.first, s.o.Size, to)
		if err != nil {
			return done, err
		}
		ok, why := s.ripe(x)
		if !ok {
			done.Why = why
			return done, nil
		}
		made, err := s.seal(ctx, x)
		if err != nil {
			return done, err
		}
		done.Segments = append(done.Segments, made)
		s.first = made.Last + 1
	}
}

// days writes a long time for people.
func days(d time.Duration) string {
	if d >= 24*time.Hour && d%(24*time.Hour) == 0 {
		if d == 24*time.Hour {
			return "a day"
		}
		return fmt.Sprintf("%d days", d/(24*time.Hour))
	}
	return d.String()
}
