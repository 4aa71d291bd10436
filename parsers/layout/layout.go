package layout

import (
	"reflect"
	"time"

	"weighpost/parsers/decimal"
	"weighpost/parsers/frame"
)

// Layout is the description of how one kind of balance prints. It does not change after Parse and may be used by several
// goroutines at once.
type Layout struct {
	name, hash string
	text       string
	page       codePage
	rule       frame.Rule
	block      bool   // lines is a print block in order; else alternatives for one line
	lines      []line // at least one
	lineLength int    // 0 where any length will do
	kind       Kind   // what a frame means that does not say, and no line of it
	still      Stability
	number     number
	unit       unitRule
	stability  wordTable
	kinds      wordTable
	ranges     wordTable
	date       dateRule
	check      *checkRule // nil where frames carry none
}

// line is one compiled template.
type line struct {
	template  string
	pieces    []piece
	optional  bool      // of a block
	kind      Kind      // what the line means by itself
	stability Stability // likewise
	check     *piece    // the check field, or nil
}

var zeroNumber decimal.Decimal

// Name is the name that Parse was given.
func (l *Layout) Name() string { return l.name }

// Hash is "sha256:" and the SHA-256 of the file's bytes in hexadecimal.
func (l *Layout) Hash() string { return l.hash }

// Text is the layout's source: exactly the bytes that Parse was given and that Hash is over.
func (l *Layout) Text() string { return l.text }

// HasCheck says whether frames carry check characters. Apply refuses a frame whose check fails.
func (l *Layout) HasCheck() bool { return l.check != nil }

// IdleGap is the silence that ends a frame, 0 where none does.
func (l *Layout) IdleGap() time.Duration { return l.rule.IdleGap }

// FramesLike says whether another layout cuts the stream into the same frames.
func (l *Layout) FramesLike(other *Layout) bool { return reflect.DeepEqual(l.rule, other.rule) }

// Splitter makes a new splitter by the layout's frame rule, for one stream of bytes.
func (l *Layout) Splitter() *frame.Splitter {
	s, err := frame.New(l.rule)
	if err != nil {
		panic("layout: a rule that Parse accepted is refused: " + err.Error())
	}
	return s
}

func (l *Layout) table(f fieldName) wordTable {
	switch f {
	case fieldStability:
		return l.stability
	case fieldKind:
		return l.kinds
	}
	return l.ranges
}

// Apply reads a frame into r. The error is an *Unread, and r is then the zero Reading. It does not allocate unless the
// frame is refused, and keeps nothing of f.
func (l *Layout) Apply(f frame.Frame, r *Reading) error {
	fault := l.read(f, r)
	if fault.why == whyNone {
		return nil
	}
	*r = Reading{}
	return &Unread{Reason: l.explain(fault)}
}

func (l *Layout) read(f frame.Frame, r *Reading) miss {
	*r = Reading{}
	switch {
	case f.Fault != "":
		return miss{why: whyFrame, note: f.Fault}
	case l.lineLength != 0 && len(f.Body) != l.lineLength:
		return miss{why: whyLength, line: f.Body}
	case l.block:
		return l.readBlock(f, r)
	case len(l.lines) == 1:
		return l.readLine(&l.lines[0], f, r)
	}
	return l.readAlternatives(f, r)
}

// readAlternatives tries every line, since a frame that two lines read differently is refused.
func (l *Layout) readAlternatives(f frame.Frame, r *Reading) miss {
	var other Reading
	var furthest miss
	fits := false
	for i := range l.lines {
		if !fits {
			*r = Reading{}
			fault := l.readLine(&l.lines[i], f, r)
			if fits = fault.why == whyNone; !fits && (i == 0 || fault.at > furthest.at) {
				furthest = fault
			}
			continue
		}
		other = Reading{}
		if fault := l.readLine(&l.lines[i], f, &other); fault.why == whyNone && !r.same(&other) {
			return miss{why: whyAmbiguous}
		}
	}
	if fits {
		return miss{}
	}
	return furthest
}

// readLine reads a frame of one line.
func (l *Layout) readLine(ln *line, f frame.Frame, r *Reading) miss {
	m := matcher{l: l, r: r}
	if fault := l.matchLine(&m, ln, f, f.Body, len(l.rule.Start)); fault.why != whyNone {
		return fault
	}
	if l.check != nil && l.check.after {
		if fault := m.verifyTrailer(f); fault.why != whyNone {
			return fault
		}
	}
	return miss{why: m.settle(), line: f.Body}
}

// matchLine matches one line, checks it, and takes what the line means by itself.
func (l *Layout) matchLine(m *matcher, ln *line, f frame.Frame, b []byte, at int) miss {
	m.offset = at
	if fault := m.line(ln.pieces, b); fault.why != whyNone {
		return fault
	}
	if ln.check != nil {
		if fault := m.verifyLine(f, at, ln.check); fault.why != whyNone {
			return fault
		}
	}
	if ln.kind != KindUnknown {
		if m.r.Kind != KindUnknown && m.r.Kind != ln.kind {
			return miss{why: whyTwoMeanings, line: b}
		}
		m.r.Kind = ln.kind
	}
	if ln.stability != StabilityUnknown {
		if m.r.Stability != StabilityUnknown && m.r.Stability != ln.stability {
			return miss{why: whyTwoMeanings, line: b}
		}
		m.r.Stability = ln.stability
	}
	return miss{}
}

// readBlock reads the lines of a print block in order. An optional line that does not fit is passed over.
func (l *Layout) readBlock(f frame.Frame, r *Reading) miss {
	m := matcher{l: l, r: r}
	if fault := l.walkBlock(&m, f); fault.why != whyNone {
		return fault
	}
	if l.check != nil && l.check.after {
		if fault := m.verifyTrailer(f); fault.why != whyNone {
			return fault
		}
	}
	return miss{why: m.settle(), line: f.Body}
}

// walkBlock matches the lines of a print block.
func (l *Layout) walkBlock(m *matcher, f frame.Frame) miss {
	next, number := 0, 0
	for _, s := range f.Lines {
		b := f.Bytes[s.From:s.To]
		if number++; len(trim(b)) == 0 {
			continue
		}
		var fault miss
		if next, fault = l.blockLine(m, next, f, s); fault.why != whyNone {
			fault.number = number
			return fault
		}
	}
	for i := range l.lines[next:] {
		if ln := &l.lines[next+i]; !ln.optional {
			return miss{why: whyLineMissing, note: ln.template}
		}
	}
	return miss{}
}

// blockLine finds the template of one line of a block, from number next on, and returns the number after it.
func (l *Layout) blockLine(m *matcher, next int, f frame.Frame, s frame.Span) (after int, fault miss) {
	b := f.Bytes[s.From:s.To]
	var furthest miss // of the optional lines passed over: the likelier reason, where one got further
	for ; next < len(l.lines); next++ {
		ln := &l.lines[next]
		var before Reading
		if ln.optional {
			before = *m.r
		}
		seen, unitMissing := m.seen, m.unitMissing
		fault = l.matchLine(m, ln, f, b, s.From)
		if fault.why == whyNone {
			return next + 1, fault
		}
		if !ln.optional || fault.why == whyTwice || fault.why == whyTwoMeanings {
			if furthest.at > fault.at {
				fault = furthest
			}
			return next, fault
		}
		if fault.at > furthest.at {
			furthest = fault
		}
		*m.r, m.seen, m.unitMissing = before, seen, unitMissing
		if m.forget != nil {
			m.forget(s.From)
		}
	}
	if furthest.at > 0 {
		return next, furthest
	}
	return next, miss{why: whyLineLeftOver, line: b, to: len(b)}
}
