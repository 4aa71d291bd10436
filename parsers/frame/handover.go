package frame

import (
	"fmt"
	"strings"
)

// Finish takes bytes of the stream up to where another splitter may go on: behind the end of the frame that is unfinished
// and of the terminator that goes on behind it. It says how many bytes it took, and whether it got there. Where nothing is
// unfinished it takes none.
func (s *Splitter) Finish(p []byte, emit func(Frame)) (n int, done bool) {
	for n < len(p) && !s.between(p[n]) {
		at := s.pos
		s.pos++
		s.step(p[n], at, emit)
		n++
	}
	return n, n < len(p) || s.Pending() == 0 && s.ended < 0
}

// between says whether the byte that comes next belongs to nothing that this splitter has begun.
func (s *Splitter) between(c byte) bool {
	if s.Pending() > 0 {
		return false
	}
	if s.ended < 0 {
		return true
	}
	longer, _ := s.marks.extension(s.ended, s.held, c)
	return longer < 0
}

// MaxLength is the most bytes that a frame may have.
func (s *Splitter) MaxLength() int {
	if s.block != nil {
		return s.block.most
	}
	return s.most
}

// Ends says whether a byte can complete a start, an end or a terminator.
func (s *Splitter) Ends(c byte) bool { return s.marks.last[c] }

// SingleLines says whether each frame is one line, so that no line end may stand inside it.
func (s *Splitter) SingleLines() bool {
	return len(s.rule.Terminators) > 0 && len(s.rule.End) == 0 && s.rule.Block == nil
}

// EndNames names what ends a frame, for a sentence: "CR LF or LF", or "" where it is a length or a silence alone.
func (s *Splitter) EndNames() string {
	ends := s.rule.Terminators
	if len(s.rule.End) > 0 {
		ends = [][]byte{s.rule.End}
	}
	var names []string
	for _, end := range ends {
		var parts []string
		for _, c := range end {
			parts = append(parts, nameOf(c))
		}
		names = append(names, strings.Join(parts, " "))
	}
	return strings.Join(names, " or ")
}

func nameOf(c byte) string {
	switch c {
	case '\r':
		return "CR"
	case '\n':
		return "LF"
	case 0x02:
		return "STX"
	case 0x03:
		return "ETX"
	}
	if c > ' ' && c < 0x7F {
		return fmt.Sprintf("“%c”", c)
	}
	return fmt.Sprintf("0x%02X", c)
}
