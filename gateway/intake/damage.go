package intake

import (
	"fmt"
	"slices"

	"weighpost/gateway/port"
	"weighpost/parsers/frame"
)

// mostMarks bounds what is kept of the damage in one unfinished frame.
const mostMarks = 64

// damage remembers which bytes of frames that are not finished arrived damaged, and where breaks came, in offsets as the
// splitter counts.
type damage struct {
	bytes, breaks []int64
	more          int // damaged bytes of the frame that is unfinished, beyond those kept
}

// note takes the marks of a read whose first byte has the offset from.
func (d *damage) note(from int64, a port.Arrival) {
	if len(a.Damaged) == 0 && len(a.Breaks) == 0 {
		return
	}
	if n := len(d.bytes); n > mostMarks { // all of the frame that was unfinished before this read
		d.more += n - mostMarks
		d.bytes = d.bytes[:mostMarks]
	}
	d.breaks = d.breaks[:min(len(d.breaks), mostMarks)]
	for _, at := range a.Damaged {
		d.bytes = append(d.bytes, from+int64(at))
	}
	for _, at := range a.Breaks {
		d.breaks = append(d.breaks, from+int64(at))
	}
}

// of says why a frame cannot be trusted, or "". With after, a damaged byte right before it counts as well: it may stand
// where the frame really began.
func (d *damage) of(f frame.Frame, after bool) string {
	if len(d.bytes) == 0 && len(d.breaks) == 0 {
		return ""
	}
	n := 0
	for _, at := range d.bytes {
		if at >= f.Offset && at < f.End {
			n++
		}
		if after && at == f.Offset-1 {
			return "the byte before it arrived damaged, with a parity or framing error, and may have been a part of it"
		}
	}
	if n > 0 {
		return fmt.Sprintf("%d of its %d bytes arrived damaged, with a parity or framing error", n+d.more, f.End-f.Offset)
	}
	if slices.ContainsFunc(d.breaks, func(at int64) bool { return at > f.Offset && at < f.End }) {
		return "the line was interrupted in the middle of it (a break)"
	}
	return ""
}

// forget lets go of what is before an offset: a frame ends there.
func (d *damage) forget(end int64) {
	if len(d.bytes) == 0 && len(d.breaks) == 0 {
		return
	}
	d.more = 0
	before := func(at int64) bool { return at < end-1 } // the last byte may spoil the next frame
	d.bytes = slices.DeleteFunc(d.bytes, before)
	d.breaks = slices.DeleteFunc(d.breaks, before)
}

// restart says that the splitter counts anew: what had the offset from has now the offset to.
func (d *damage) restart(from, to int64) {
	for _, list := range [][]int64{d.bytes, d.breaks} {
		for i := range list {
			list[i] += to - from
		}
	}
	d.forget(0)
}

// clear says that the port was lost.
func (d *damage) clear() { *d = damage{bytes: d.bytes[:0], breaks: d.breaks[:0]} }
