package record

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// Corrections are what entries say of the stamps of other entries. The zero value knows of none. It keeps one small item for
// each correction that it was given, and nothing of other entries.
type Corrections struct{ list []ClockCorrected } // by sequence of the correction

// CorrectedTime is what a stamp should have said.
type CorrectedTime struct {
	UTC   UTC    `json:"utc"`
	Bound Span   `json:"bound_s"`
	By    uint64 `json:"by"` // sequence of the entry that says so
}

// Add takes a clock-corrected entry, and leaves out every other kind.
func (c *Corrections) Add(e Entry) error {
	if e.Kind != KindClockCorrected {
		return nil
	}
	var one ClockCorrected
	if err := json.Unmarshal(e.JSON, &one); err != nil {
		return fmt.Errorf("entry %d, which corrects stamps, cannot be read: %w", e.Seq, err)
	}
	one.Seq = e.Seq
	at, there := slices.BinarySearchFunc(c.list, e.Seq, func(o ClockCorrected, seq uint64) int {
		switch {
		case o.Seq < seq:
			return -1
		case o.Seq > seq:
			return 1
		}
		return 0
	})
	if !there {
		c.list = slices.Insert(c.list, at, one)
	}
	return nil
}

// Len is how many corrections there are.
func (c *Corrections) Len() int { return len(c.list) }

// Of gives what the stamp of an entry should have said, by the newest correction that covers it; false where none does.
func (c *Corrections) Of(seq uint64, s Stamp) (CorrectedTime, bool) {
	for i := len(c.list) - 1; i >= 0; i-- {
		if o := &c.list[i]; o.Covers(seq, s) {
			return CorrectedTime{UTC: UTC(s.UTC.Time().Add(time.Duration(o.Offset))), Bound: o.Bound, By: o.Seq}, true
		}
	}
	return CorrectedTime{}, false
}

// OfEntry is Of with the stamp read out of the entry: its member stamp, or to where it has none. False also where it has
// neither.
func (c *Corrections) OfEntry(e Entry) (CorrectedTime, bool) {
	if len(c.list) == 0 || e.Kind == KindClockCorrected {
		return CorrectedTime{}, false
	}
	s, ok := StampOf(e)
	if !ok {
		return CorrectedTime{}, false
	}
	return c.Of(e.Seq, s)
}

// Covers says whether the correction holds for the entry of a sequence with a stamp.
func (c *ClockCorrected) Covers(seq uint64, s Stamp) bool {
	t := s.UTC.Time()
	return seq >= c.From && seq <= c.To && !t.Before(c.FromUTC.Time()) && !t.After(c.ToUTC.Time()) && (c.Clock == "" || c.Clock == s.Clock)
}

// anyStamp is a stamp where a member of that name may also be something else.
type anyStamp struct {
	Stamp
	given bool
}

func (a *anyStamp) UnmarshalJSON(b []byte) error {
	if len(b) == 0 || b[0] != '{' {
		return nil
	}
	a.given = true
	return json.Unmarshal(b, &a.Stamp)
}

// StampOf reads the stamp of an entry: its member stamp, or to where the entry tells of a span of time. False: it has neither.
func StampOf(e Entry) (Stamp, bool) {
	var x struct {
		Stamp anyStamp `json:"stamp"`
		To    anyStamp `json:"to"`
	}
	if json.Unmarshal(e.JSON, &x) != nil {
		return Stamp{}, false
	}
	if x.Stamp.given {
		return x.Stamp.Stamp, true
	}
	return x.To.Stamp, x.To.given
}
