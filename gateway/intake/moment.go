package intake

import "time"

// moment is when something happened, as far as this computer can know: after lo, or at it, and before hi, or at it.
type moment struct{ lo, hi time.Time }

// before says whether a surely came before b. Where neither is before the other, the order is not known.
func (a moment) before(b moment) bool { return !a.hi.After(b.lo) }

// untold is how late a port that cannot tell when it was empty is taken to hand over what it receives.
const untold = 50 * time.Millisecond

// mostHeard bounds what is kept of the reads that one frame came in.
const mostHeard = 256

// arrivals remembers the reads of one port that an unfinished frame may have begun in.
type arrivals struct {
	heard []heard
	empty time.Time // somebody looked into the port then, and nothing was on its way
}

// heard is one read, or several merged.
type heard struct {
	end   int64     // offset after its last byte, as the splitter counts
	at    time.Time // just after the read
	empty time.Time // the bytes came after this
	char  time.Duration
	bytes int64
}

// note takes a read. emptied is when its reader last found the port empty, zero where that cannot be told; char is how
// long one character takes on the wire.
func (a *arrivals) note(end int64, bytes int, at, emptied time.Time, char time.Duration) {
	if emptied.IsZero() {
		emptied = at.Add(-untold)
	}
	if a.empty.After(emptied) {
		emptied = a.empty
	}
	if len(a.heard) == mostHeard {
		a.halve()
	}
	a.heard = append(a.heard, heard{end: end, at: at, empty: emptied, char: char, bytes: int64(bytes)})
}

// restart says that the splitter counts from 0 again, and that the last rest bytes are still to come to it.
func (a *arrivals) restart(rest int) {
	if n := len(a.heard); n > 0 {
		a.heard[0] = a.heard[n-1]
		a.heard[0].end = int64(rest)
		a.heard = a.heard[:1]
	}
}

// halve merges neighbours: less is known of when each byte came, and nothing wrong.
func (a *arrivals) halve() {
	n := 0
	for i := 0; i+1 < len(a.heard); i += 2 {
		merged := a.heard[i+1]
		merged.empty, merged.bytes = a.heard[i].empty, merged.bytes+a.heard[i].bytes
		a.heard[n] = merged
		n++
	}
	a.heard = a.heard[:n]
}

// first is when the byte at an offset came.
//
// It had come when the read that gave it returned. It came after the port was last seen empty; and on a real line it did
// not come later than the bytes behind it in the same read allow, each of which takes its time on the wire.
func (a *arrivals) first(offset int64) moment {
	for _, h := range a.heard {
		if h.end <= offset {
			continue
		}
		lo := h.empty
		wire := h.at.Add(-time.Duration(min(h.end-offset, h.bytes)) * h.char)
		if wire.Before(lo) {
			lo = wire
		}
		return moment{lo, h.at}
	}
	return moment{}
}

// forget lets go of the reads before an offset.
func (a *arrivals) forget(offset int64) {
	n := 0
	for n < len(a.heard) && a.heard[n].end <= offset {
		n++
	}
	a.heard = a.heard[:copy(a.heard, a.heard[n:])]
}

// look notes that nothing was on its way at a time.
func (a *arrivals) look(at time.Time) {
	if at.After(a.empty) {
		a.empty = at
	}
}

// quieter is a line that can be asked whether anything is on its way: see port.Line.Quiet.
type quieter interface{ Quiet() (quiet, known bool) }
