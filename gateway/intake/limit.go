package intake

import (
	"crypto/sha256"
	"encoding/hex"
	"hash"
	"time"

	"weighpost/gateway/record"
)

// Limits on entries that a faulty line could fill a disk with (DESIGN.md section 2).
const (
	perMinute  = 20
	minute     = time.Minute
	sampleSize = 256 // bytes of the last frame that a summary keeps
)

// allowance lets the first entries of a minute through. The minute begins with the first of them.
type allowance struct {
	ends time.Time
	used int
}

// take says whether one more entry may be written now.
func (a *allowance) take(now time.Time) bool { return a.takeOf(now, perMinute) }

// takeOf is take with another number.
func (a *allowance) takeOf(now time.Time, most int) bool {
	if a.ends.IsZero() {
		a.ends = now.Add(minute)
	}
	if a.used < most {
		a.used++
		return true
	}
	return false
}

// over says whether the minute has ended, and then forgets it.
func (a *allowance) over(now time.Time) bool {
	if a.ends.IsZero() || now.Before(a.ends) {
		return false
	}
	*a = allowance{}
	return true
}

// unreads limits unread entries: the first twenty a minute pass, the rest become one summary a minute.
type unreads struct {
	allowance
	sum    *record.UnreadSummary
	digest hash.Hash
}

// put takes an unread frame and gives the entry to write now, or nil; then it has kept nothing of the frame's bytes but a
// sample. The caller has called due first.
func (u *unreads) put(e *record.Unread, now time.Time) record.Body {
	if u.take(now) {
		return e
	}
	if u.sum == nil {
		u.sum = &record.UnreadSummary{Balance: e.Balance, From: e.Stamp, Port: e.Port}
		u.digest = sha256.New()
	}
	s := u.sum
	s.Frames++
	s.Bytes += uint64(len(e.Frame))
	u.digest.Write(e.Frame)
	s.To, s.Reason = e.Stamp, e.Reason
	s.Sample = append(s.Sample[:0], e.Frame[:min(len(e.Frame), sampleSize)]...)
	return nil
}

// due gives the summary of a minute that has ended, or nil.
func (u *unreads) due(now time.Time) record.Body {
	if !u.over(now) {
		return nil
	}
	return u.flush()
}

// flush gives the summary of what has been counted so far, or nil.
func (u *unreads) flush() record.Body {
	s := u.sum
	if s == nil {
		return nil
	}
	s.SHA256 = hex.EncodeToString(u.digest.Sum(nil))
	u.sum, u.digest = nil, nil
	return s
}

// flaps limits port entries in the same way: what comes after the first twenty a minute is counted, and written once for
// each direction at the end of the minute, the present state last.
type flaps struct {
	allowance
	down, up *record.PortChange
	lastUp   bool
}

func (f *flaps) put(e *record.PortChange, now time.Time) record.Body {
	if f.take(now) {
		return e
	}
	f.lastUp = e.Up
	kept := &f.down
	if e.Up {
		kept = &f.up
	}
	if *kept != nil {
		e.Times += (*kept).Times
		e.Dropped += (*kept).Dropped
	}
	*kept = e
	return nil
}

func (f *flaps) due(now time.Time) []record.Body {
	if !f.over(now) {
		return nil
	}
	return f.flush()
}

func (f *flaps) flush() []record.Body {
	order := []*record.PortChange{f.up, f.down}
	if f.lastUp {
		order = []*record.PortChange{f.down, f.up}
	}
	f.down, f.up = nil, nil
	var out []record.Body
	for _, e := range order {
		if e != nil {
			out = append(out, e)
		}
	}
	return out
}

// soonest is the earlier of two times, where zero means never.
func soonest(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}
