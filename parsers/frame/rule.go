package frame

import (
	"bytes"
	"fmt"
	"time"
)

// Limits of a rule.
const (
	DefaultMaxLength      = 256  // bytes of a line or telegram
	DefaultBlockMaxLength = 4096 // bytes of a print block
	DefaultMaxLines       = 64   // lines of a print block
	MaxMaxLength          = 65536
	MaxMaxLines           = 1024
	MaxMark               = 8 // bytes of a terminator, of start and end bytes, and of a trailer
	maxBlankLines         = 16
)

// Rule says where a frame begins and ends. At least one of Terminators, End, Length and IdleGap is needed.
type Rule struct {
	// Terminators end a line. The line ends at whichever is complete first; where several are complete at the same byte, the
	// longest counts. If CR and CR LF are both listed, CR ends the line at once and an LF right behind it is passed over.
	// With End, terminators do not end the frame: they separate lines inside it and are passed over between frames.
	Terminators [][]byte
	// Start opens a frame; what comes before it is a faulty frame. Start bytes inside a frame mean that the end of the frame
	// got lost, if they begin with a control character; a printable start is taken as text there.
	Start []byte
	// End closes a frame, together with the Trailer bytes that follow it.
	End     []byte
	Trailer int // check characters after End, 0 … 8
	// IdleGap is the silence after which a frame is over. Where the rule has another end, a silence inside a frame makes that
	// frame faulty: it does not end it, because the rest of a cut "12.345 g" would read as another weight.
	IdleGap time.Duration
	// Length is the number of bytes of every frame, start bytes included, or 0. It needs Start or IdleGap to fall into step.
	Length int
	// MaxLength is the most bytes a frame may have, all of it counted. 0 stands for 256, and for 4096 with Block.
	MaxLength int
	// Block collects lines into print blocks. It needs Terminators, and goes with none of Start, End and Length.
	Block *Block
}

// Block says which lines make a print block. At least one of Last, BlankLines and Rule.IdleGap has to end it.
type Block struct {
	First []Pattern // a line like one of these opens a block; none: any line that is not blank does
	Last  []Pattern // a line like one of these is the block's last
	// BlankLines is how many blank lines in a row end a block, or 0. Blank lines before a block are passed over.
	BlankLines int
	MaxLines   int // the most lines of a block, blank ones included; 0 stands for 64
}

// Pattern is how a line begins, or the whole line.
type Pattern struct {
	Text  []byte
	Exact bool // the line is Text and nothing else
}

func (p Pattern) matches(line []byte) bool {
	if p.Exact {
		return bytes.Equal(line, p.Text)
	}
	return bytes.HasPrefix(line, p.Text)
}

func anyMatches(patterns []Pattern, line []byte) bool {
	for _, p := range patterns {
		if p.matches(line) {
			return true
		}
	}
	return false
}

// Mistake is one thing that makes no sense in a Rule.
type Mistake struct {
	Field   string // the field of Rule, such as "Trailer" or "Block.First"
	What    string // what is wrong
	Allowed string // what is allowed instead
}

// Error gives the mistake as a sentence.
func (m Mistake) Error() string { return m.Field + ": " + m.What + "; allowed: " + m.Allowed }

// limits gives MaxLength and MaxLines with their defaults.
func (r Rule) limits() (length, lines int) {
	length = r.MaxLength
	if length == 0 {
		length = DefaultMaxLength
		if r.Block != nil {
			length = DefaultBlockMaxLength
		}
	}
	if r.Block != nil {
		if lines = r.Block.MaxLines; lines == 0 {
			lines = DefaultMaxLines
		}
	}
	return length, lines
}

// Check gives every mistake of the rule, or nil.
func (r Rule) Check() []Mistake {
	var found []Mistake
	fault := func(bad bool, field, what, allowed string) {
		if bad {
			found = append(found, Mistake{field, what, allowed})
		}
	}
	size := fmt.Sprintf("1 to %d bytes", MaxMark)
	fault(len(r.Terminators) == 0 && len(r.End) == 0 && r.Length == 0 && r.IdleGap <= 0, "Terminators",
		"nothing says where a frame ends", "terminators, end bytes, a length or an idle gap")
	for i, t := range r.Terminators {
		fault(len(t) == 0 || len(t) > MaxMark, "Terminators", fmt.Sprintf("number %d has %d bytes", i+1, len(t)), size)
		for _, earlier := range r.Terminators[:i] {
			fault(bytes.Equal(t, earlier), "Terminators", fmt.Sprintf("number %d is there twice", i+1), "each once")
		}
	}
	fault(len(r.Terminators) > 16, "Terminators", "there are more than 16", "1 to 16")
	fault(len(r.Start) > MaxMark, "Start", fmt.Sprintf("has %d bytes", len(r.Start)), size)
	fault(len(r.End) > MaxMark, "End", fmt.Sprintf("has %d bytes", len(r.End)), size)
	fault(len(r.Start) > 0 && bytes.Equal(r.Start, r.End), "End", "is the same as the start bytes", "end bytes that differ from the start")
	for _, t := range r.Terminators {
		fault(len(r.Start) > 0 && bytes.Equal(r.Start, t), "Terminators", "one is the same as the start bytes", "terminators that differ from the start")
	}
	fault(r.Trailer < 0 || r.Trailer > MaxMark, "Trailer", fmt.Sprintf("is %d", r.Trailer), fmt.Sprintf("0 to %d", MaxMark))
	fault(r.Trailer > 0 && len(r.End) == 0, "Trailer", "there are no end bytes that it could follow", "end bytes, or no trailer")
	fault(r.IdleGap < 0, "IdleGap", "is negative", "a length of time above 0, such as 50ms")
	found = append(found, r.checkSizes()...)
	if r.Block != nil {
		found = append(found, r.checkBlock()...)
	}
	return found
}

func (r Rule) checkSizes() (found []Mistake) {
	fault := func(bad bool, field, what, allowed string) {
		if bad {
			found = append(found, Mistake{field, what, allowed})
		}
	}
	most, _ := r.limits()
	marks := len(r.Start) + len(r.End) + max(0, r.Trailer)
	if len(r.End) == 0 {
		for _, t := range r.Terminators {
			marks = max(marks, len(r.Start)+len(t))
		}
	}
	fault(most < 0 || most > MaxMaxLength, "MaxLength", fmt.Sprintf("is %d", most), fmt.Sprintf("1 to %d bytes", MaxMaxLength))
	fault(most >= 0 && most <= marks, "MaxLength", fmt.Sprintf("is %d, which leaves no room between start and end", most),
		fmt.Sprintf("more than %d bytes", marks))
	if r.Length == 0 {
		return found
	}
	fault(r.Length < 0 || r.Length <= len(r.Start), "Length", fmt.Sprintf("is %d", r.Length),
		fmt.Sprintf("more than %d bytes, start bytes included", len(r.Start)))
	fault(r.Length > most, "Length", fmt.Sprintf("is %d, above the maximum length", r.Length), fmt.Sprintf("at most %d bytes", most))
	fault(len(r.Terminators) > 0 || len(r.End) > 0, "Length", "there are terminators or end bytes as well", "one of the two ways to end a frame")
	fault(len(r.Start) == 0 && r.IdleGap <= 0, "Length",
		"nothing shows where the first frame begins: after one lost byte every frame would be cut in the wrong place", "start bytes or an idle gap with it")
	return found
}

func (r Rule) checkBlock() (found []Mistake) {
	fault := func(bad bool, field, what, allowed string) {
		if bad {
			found = append(found, Mistake{field, what, allowed})
		}
	}
	b := r.Block
	fault(len(r.Terminators) == 0, "Block", "nothing ends a line of the block", "terminators")
	fault(len(r.Start) > 0 || len(r.End) > 0 || r.Length > 0, "Block", "start bytes, end bytes or a length are set as well",
		"terminators and an idle gap")
	fault(len(b.Last) == 0 && b.BlankLines <= 0 && r.IdleGap <= 0, "Block", "nothing ends the block",
		"a last line, a number of blank lines or an idle gap")
	fault(b.BlankLines < 0 || b.BlankLines > maxBlankLines, "Block.BlankLines", fmt.Sprintf("is %d", b.BlankLines),
		fmt.Sprintf("0 to %d", maxBlankLines))
	fault(b.MaxLines < 0 || b.MaxLines > MaxMaxLines, "Block.MaxLines", fmt.Sprintf("is %d", b.MaxLines), fmt.Sprintf("1 to %d lines", MaxMaxLines))
	for _, p := range b.First {
		fault(blank(p.Text), "Block.First", fmt.Sprintf("%q is blank", p.Text), "a text that can be seen")
	}
	for _, p := range b.Last {
		fault(blank(p.Text), "Block.Last", fmt.Sprintf("%q is blank", p.Text), "a text that can be seen, or blank lines")
	}
	return found
}

// clone copies everything that the rule points to, so that nobody can change it under a Splitter.
func (r Rule) clone() Rule {
	terminators := make([][]byte, len(r.Terminators))
	for i, t := range r.Terminators {
		terminators[i] = bytes.Clone(t)
	}
	r.Terminators, r.Start, r.End = terminators, bytes.Clone(r.Start), bytes.Clone(r.End)
	if r.Block != nil {
		b := *r.Block
		b.First, b.Last = clonePatterns(b.First), clonePatterns(b.Last)
		r.Block = &b
	}
	return r
}

func clonePatterns(patterns []Pattern) []Pattern {
	out := make([]Pattern, len(patterns))
	for i, p := range patterns {
		out[i] = Pattern{bytes.Clone(p.Text), p.Exact}
	}
	return out
}
