package clock

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/record"
)

// Journal is what a correction by a person needs of the journal.
type Journal interface {
	Head() uint64
	Read(ctx context.Context, after uint64, max int) ([]record.Entry, error)
	Append(ctx context.Context, bodies ...record.Body) ([]record.Entry, error)
}

// mostByHand is how many entries one correction by a person spans: all of them are read for it.
const mostByHand = 1_000_000

// CorrectByHand appends the entry that a person asks for. It reads the span, so that the entry says from when to when the
// stamps are, and changes none of it. The error is a *record.RequestRefused, or one of the journal.
func CorrectByHand(ctx context.Context, j Journal, c record.ClockCorrection, now record.Stamp) (record.ClockCorrectionAnswer, error) {
	var a record.ClockCorrectionAnswer
	refuse := func(format string, args ...any) error {
		return &record.RequestRefused{Why: fmt.Sprintf(format, args...)}
	}
	if err := c.Check(); err != nil {
		return a, refuse("No stamp was corrected: %v.", err)
	}
	if head := j.Head(); c.To > head {
		return a, refuse("No stamp was corrected: to is %d, and the journal ends with entry %d.", c.To, head)
	}
	if n := c.To - c.From + 1; n > mostByHand {
		return a, refuse("No stamp was corrected: the span has %d entries, and one correction takes at most %d. Give it in parts.", n, mostByHand)
	}
	low, high, stamps, err := stampsOf(ctx, j, c.From, c.To)
	if err != nil {
		return a, err
	}
	if stamps == 0 {
		return a, refuse("No stamp was corrected: none of the entries %d to %d has one.", c.From, c.To)
	}
	for _, edge := range []time.Time{low, high} {
		if y := edge.Add(time.Duration(c.Offset)).Year(); y < 1 || y > 9999 {
			return a, refuse("No stamp was corrected: the offset would lead into the year %d.", y)
		}
	}
	e := &record.ClockCorrected{From: c.From, To: c.To, FromUTC: record.UTC(low), ToUTC: record.UTC(high), Offset: c.Offset, Bound: c.Bound,
		Why: c.Reason, By: c.By, Stamp: now}
	entries, err := j.Append(ctx, e)
	if err != nil {
		return a, err
	}
	return record.ClockCorrectionAnswer{Entry: entries[0].ID, Seq: entries[0].Seq, Stamps: stamps, FromUTC: e.FromUTC, ToUTC: e.ToUTC}, nil
}

// stampsOf gives the earliest and the latest stamp of a span of entries, and how many have one.
func stampsOf(ctx context.Context, j Journal, from, to uint64) (low, high time.Time, n uint64, err error) {
	const step = 1000
	for after := from - 1; after < to; {
		entries, err := j.Read(ctx, after, int(min(to-after, step)))
		if err != nil {
			return low, high, n, err
		}
		if len(entries) == 0 {
			return low, high, n, errors.New("entries of the span cannot be read")
		}
		after = entries[len(entries)-1].Seq
		for _, e := range entries {
			s, ok := record.StampOf(e)
			if !ok || e.Kind == record.KindClockCorrected {
				continue
			}
			t := s.UTC.Time()
			if n++; n == 1 || t.Before(low) {
				low = t
			}
			if n == 1 || t.After(high) {
				high = t
			}
		}
	}
	return low, high, n, nil
}
