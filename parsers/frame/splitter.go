package frame

import (
	"errors"
)

// Splitter follows one stream. It is not for use by several goroutines at once, and emit functions must not call it.
type Splitter struct {
	rule    Rule
	most    int        // MaxLength with its default
	marks   marks      // what can begin or end something
	block   *collector // nil unless the rule has a block
	gapEnds bool       // nothing but a silence ends a frame

	pos int64 // offset of the next byte

	// The collection: everything since the last boundary.
	collected
	inside   bool   // Start was seen, or there is none
	trailing int    // bytes of the trailer still to come, once End was seen
	spoilt   string // why the collection cannot be a frame, if that is known already

	opening bool
	// After a line ended with a terminator that is the beginning of a longer one: which, and the bytes since that may
	// complete the longer one. No terminator: -1.
	ended int
	held  []byte

	lines []Span
}

// New makes a Splitter for a rule, which it copies. The error joins every Mistake of the rule.
func New(r Rule) (*Splitter, error) {
	var errs []error
	for _, m := range r.Check() {
		errs = append(errs, m)
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	r = r.clone()
	most, lines := r.limits()
	s := &Splitter{rule: r, most: most, marks: newMarks(r), ended: -1, opening: true}
	s.collected = newCollected(most, s.marks.longest)
	s.held = make([]byte, 0, MaxMark)
	s.gapEnds = len(r.Terminators) == 0 && len(r.End) == 0 && r.Length == 0
	if r.Block != nil {
		s.block = newCollector(r, most, lines)
	}
	s.clear()
	return s, nil
}

// Push takes the next bytes of the stream and calls emit for each frame that they complete, in order. It keeps no
// reference to p.
func (s *Splitter) Push(p []byte, emit func(Frame)) {
	for len(p) > 0 {
		if n := s.uneventful(p); n > 0 {
			s.run(p[:n])
			s.pos += int64(n)
			p = p[n:]
			continue
		}
		at := s.pos
		s.pos++
		s.step(p[0], at, emit)
		p = p[1:]
	}
}

// uneventful counts leading bytes that can only be collected: inside a collection, none of them completes a mark.
func (s *Splitter) uneventful(p []byte) int {
	if s.total() == 0 || s.ended >= 0 || s.trailing > 0 || s.rule.Length > 0 {
		return 0
	}
	for i, c := range p {
		if s.marks.last[c] {
			return i
		}
	}
	return len(p)
}

// step takes the byte at an offset.
func (s *Splitter) step(c byte, at int64, emit func(Frame)) {
	if s.ended >= 0 && s.extend(c, at, emit) {
		return
	}
	if s.total() == 0 {
		if s.marks.filler[c] {
			return
		}
		s.start = at
	}
	s.add(c)
	switch {
	case !s.inside:
		s.hunt(c, emit)
	case s.trailing > 0:
		if s.trailing--; s.trailing == 0 {
			s.finish(len(s.rule.End)+s.rule.Trailer, emit)
		}
	case s.rule.Length > 0:
		if s.total() == int64(s.rule.Length) {
			s.finish(0, emit)
		}
	case s.marks.last[c]:
		s.mark(emit)
	}
}

// hunt looks for the start bytes. What comes before them, up to a terminator if there are any, is no frame.
func (s *Splitter) hunt(c byte, emit func(Frame)) {
	if !s.marks.last[c] {
		return
	}
	if s.endsWith(s.rule.Start, 0) {
		s.cut(len(s.rule.Start), faultOutside, emit)
		s.begin()
	} else if i := s.marks.terminated(&s.collected, 0); i >= 0 {
		s.cut(0, faultOutside, emit)
		s.clear()
	}
}

// mark acts on the mark that the last byte may have completed.
func (s *Splitter) mark(emit func(Frame)) {
	prefix := len(s.rule.Start)
	if end := s.rule.End; len(end) > 0 {
		if s.endsWith(end, prefix) {
			if s.trailing = s.rule.Trailer; s.trailing == 0 {
				s.finish(len(end), emit)
			}
			return
		}
	} else if i := s.marks.terminated(&s.collected, prefix); i >= 0 {
		s.finish(len(s.rule.Terminators[i]), emit)
		if s.marks.extendable[i] {
			s.ended = i
		}
		return
	}
	if s.marks.restarts && s.endsWith(s.rule.Start, prefix) {
		s.cut(prefix, faultNewStart, emit)
		s.begin()
	}
}

// begin opens a frame whose start bytes are the last bytes received.
func (s *Splitter) begin() {
	s.clear()
	s.inside = true
	s.start = s.pos - int64(len(s.rule.Start))
	s.run(s.rule.Start)
}

// clear forgets the collection.
func (s *Splitter) clear() {
	s.collected.clear()
	s.trailing, s.spoilt = 0, ""
	s.inside = len(s.rule.Start) == 0
}

// finish hands over the collection as a frame whose last trim bytes are its ending.
func (s *Splitter) finish(trim int, emit func(Frame)) {
	f := Frame{Bytes: s.buf, Offset: s.start, End: s.start + s.total(), Opening: s.opening && len(s.rule.Start) == 0}
	if f.Fault = whole(s.spoilt, s.most, s.over); f.Fault == "" {
		to := len(s.buf) - trim
		f.Body, f.Trailer = s.buf[len(s.rule.Start):to], s.buf[len(s.buf)-s.rule.Trailer:]
	}
	s.opening = false
	s.clear()
	switch {
	case s.block != nil:
		s.block.line(f, emit)
	case f.Fault == "" && s.rule.Trailer == 0 && blank(f.Body):
	default:
		if f.Fault == "" {
			f.Lines = s.linesOf(f)
		}
		emit(f)
	}
}

// linesOf finds the lines of a frame that is no block. Only end bytes leave terminators inside it.
func (s *Splitter) linesOf(f Frame) []Span {
	from := len(s.rule.Start)
	to := from + len(f.Body)
	if len(s.rule.End) == 0 || len(s.rule.Terminators) == 0 {
		s.lines = append(s.lines[:0], Span{from, to})
	} else {
		s.lines = s.marks.split(f.Bytes, from, to, s.lines[:0])
	}
	return s.lines
}

// cut hands over the collection without its last n bytes as a faulty frame, unless nothing or only blanks are left. The
// caller clears the collection.
func (s *Splitter) cut(n int, why string, emit func(Frame)) {
	length := s.total() - int64(n)
	kept := s.buf[:min(int64(len(s.buf)), length)]
	notKept := length - int64(len(kept))
	if notKept == 0 && blank(kept) {
		return
	}
	f := Frame{Bytes: kept, Offset: s.start, End: s.start + length, Fault: why}
	if notKept > 0 {
		f.Fault = tooLong(s.most, notKept)
	}
	f.Opening = s.opening && len(s.rule.Start) == 0
	s.opening = false
	emit(f)
}

// extend sees whether the byte goes on with the terminator that ended the line before, and keeps it out of the next line
// if so.
func (s *Splitter) extend(c byte, at int64, emit func(Frame)) bool {
	longer, complete := s.marks.extension(s.ended, s.held, c)
	if longer < 0 {
		s.release(at, emit)
		// What was held may have ended a blank line, and that line's terminator may go on with this byte.
		if s.ended >= 0 {
			return s.extend(c, at, emit)
		}
		return false
	}
	s.held = append(s.held, c)
	if complete {
		if s.block != nil {
			s.block.filler(s.held)
		}
		s.held = s.held[:0]
		if s.ended = longer; !s.marks.extendable[longer] {
			s.ended = -1
		}
	}
	return true
}

// release gives back the bytes that did not complete a longer terminator: they belong to the next line. The byte after
// them is at the offset before.
func (s *Splitter) release(before int64, emit func(Frame)) {
	var room [MaxMark]byte
	n := copy(room[:], s.held)
	s.held, s.ended = s.held[:0], -1
	for i, c := range room[:n] {
		s.step(c, before-int64(n-i), emit)
	}
}

// Idle says that the rule's idle gap passed without a byte. It does nothing where the rule has none.
func (s *Splitter) Idle(emit func(Frame)) {
	if s.rule.IdleGap <= 0 {
		return
	}
	switch {
	case len(s.held) > 0:
		s.release(s.pos, emit)
		s.Idle(emit)
	case s.total() == 0:
		s.opening = false
		if s.block != nil {
			s.block.idle(emit)
		}
	case !s.inside:
		s.cut(0, faultOutside, emit)
		s.clear()
	case s.gapEnds:
		s.finish(0, emit)
	case len(s.rule.Start) > 0 || s.rule.Length > 0 || s.trailing > 0:
		s.cut(0, faultSilence, emit) // the next frame shows its own beginning
		s.clear()
	case !s.empty(): // blanks alone, such as an LF after the CR that ended the line, do not matter
		s.spoilt = faultSilence
	}
}

// Flush says that the stream is over, as a file is. What is unfinished is a faulty frame, except where only an idle gap
// ends a frame.
func (s *Splitter) Flush(emit func(Frame)) {
	if len(s.held) > 0 {
		s.release(s.pos, emit)
		s.Flush(emit)
		return
	}
	switch {
	case s.empty():
	case !s.inside:
		s.cut(0, faultOutside, emit)
	case s.gapEnds:
		s.finish(0, emit)
	case s.block != nil && s.block.open:
		s.spoilt = faultFileEnd
		s.finish(0, emit)
	default:
		s.cut(0, faultFileEnd, emit)
	}
	if s.block != nil {
		s.block.flush(emit)
	}
	s.Reset()
}

// Reset forgets what is unfinished, because the port was lost, and says how many bytes that were. They are never joined
// to later ones. Offsets go on.
func (s *Splitter) Reset() (dropped int) {
	dropped = s.Pending()
	s.clear()
	s.held, s.ended, s.opening = s.held[:0], -1, true
	if s.block != nil {
		s.block.close()
	}
	return dropped
}

// Pending is how many bytes belong to a frame that is not finished, bytes that were not kept included.
func (s *Splitter) Pending() int {
	n := s.total() + int64(len(s.held))
	if s.block != nil {
		n += s.block.total()
	}
	return int(n)
}

// Unfinished says whether a frame has begun and not ended. Blanks alone, such as an LF after the CR that ended the line, are
// none.
func (s *Splitter) Unfinished() bool {
	return !s.empty() || !blank(s.held) || s.block != nil && s.block.total() > 0
}
