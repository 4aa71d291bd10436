package layout

import (
	"bytes"
	"slices"

	"weighpost/parsers/decimal"
)

// matcher walks one line along one template. It either takes every byte of the line or says why not: nothing is skipped
// that the template does not name, and no second way through is tried.
type matcher struct {
	l   *Layout
	r   *Reading
	b   []byte
	pos int

	gapFrom int  // where the blanks of the gap just passed began
	noGap   bool // the gap just passed was empty: only a field that may be missing can follow
	wasGap  bool // the piece before is a gap
	start   int  // where the line begins, blanks before it passed over

	seen        uint32 // fields found so far in this frame
	unitMissing bool
	from, to    int // what the check covers, in b; -1 where no mark was passed
	check       checked

	offset int                                 // of the line in its frame
	took   func(field fieldName, from, to int) // nil: nobody wants to know what each piece takes
	forget func(offset int)                    // what was told of the line there; nil as took
}

// checked is where the check characters of a line stand.
type checked struct{ from, to int }

func (m *matcher) has(f fieldName) bool { return m.seen&(1<<f) != 0 }

// miss is why a line does not fit, without the sentence: most are made for alternatives that lose, and cost nothing.
type miss struct {
	why    whyCode
	piece  *piece
	line   []byte
	at, to int // the bytes at fault, in line
	number int // of the line in a block, from 1
	note   string
}

func (m *matcher) fail(why whyCode, p *piece, at, to int) miss {
	return miss{why: why, piece: p, line: m.b, at: at, to: to}
}

// line matches b against the pieces. Spans of b are kept in m until the next line.
func (m *matcher) line(pieces []piece, b []byte) miss {
	m.b, m.pos, m.from, m.to, m.check = b, 0, -1, -1, checked{}
	m.noGap, m.wasGap, m.start = false, false, 0
	if first := &pieces[0]; first.width == 0 && (first.kind == pieceLiteral || first.kind == pieceField) {
		m.start = len(b) - len(trimLeft(b))
		m.pos = m.start
	}
	for i := range pieces {
		p, before := &pieces[i], m.pos
		switch p.kind {
		case pieceMark:
			if p.field == markFrom {
				m.from = m.pos
			} else {
				m.to = m.pos
			}
			m.wasGap = false // a field that is missing never gives back what stands before a mark
			continue
		case pieceGap:
			if fault := m.gap(p); fault.why != whyNone {
				return fault
			}
			continue
		case pieceLiteral:
			if fault := m.literal(p); fault.why != whyNone {
				return fault
			}
		case pieceField:
			if fault := m.field(p); fault.why != whyNone {
				return fault
			}
		}
		if m.took != nil && before < m.pos {
			m.took(p.field, m.offset+before, m.offset+m.pos)
		}
		m.wasGap, m.noGap = false, false
	}
	if rest := trimLeft(b[m.pos:]); len(rest) > 0 {
		return m.fail(whyLeftOver, lastPiece(pieces), len(b)-len(rest), len(b))
	}
	return miss{}
}

func lastPiece(pieces []piece) *piece {
	for i := len(pieces) - 1; i >= 0; i-- {
		if pieces[i].kind == pieceLiteral || pieces[i].kind == pieceField {
			return &pieces[i]
		}
	}
	return nil
}

func (m *matcher) gap(p *piece) miss {
	n := 0
	for m.pos+n < len(m.b) && isBlank(m.b[m.pos+n]) && !(p.exact && n == p.blanks) {
		n++
	}
	if p.exact && n < p.blanks {
		return m.fail(whyNoGap, p, m.pos, len(m.b))
	}
	m.gapFrom, m.wasGap = m.pos, true
	m.noGap = n == 0 && m.pos > m.start
	m.pos += n
	return miss{}
}

func (m *matcher) literal(p *piece) miss {
	if m.noGap || !bytes.HasPrefix(m.b[m.pos:], p.literal) {
		return m.fail(whyNoLiteral, p, m.pos, len(m.b))
	}
	m.pos += len(p.literal)
	return miss{}
}

// field takes the bytes of a field, by its width or by what ends it, and reads them.
func (m *matcher) field(p *piece) miss {
	if p.width > 0 {
		if len(m.b)-m.pos < p.width {
			return m.fail(whyShort, p, m.pos, len(m.b))
		}
		from := m.pos
		m.pos += p.width
		return m.value(p, from, m.pos)
	}
	from, length := m.pos, 0
	rest := m.b[from:]
	switch {
	case p.field.words():
		length = m.l.table(p.field).longest(rest)
		if length == 0 {
			return m.leaveOut(p)
		}
	case p.field == fieldUnit:
		length = m.l.unitExtent(p, rest)
		if (m.l.unit.missing || m.r.Range != InRange) && (length == 0 || !m.l.unitKnown(rest[:length])) {
			return m.leaveOut(p)
		}
	case p.field == fieldWeight:
		stop := -1
		if len(p.stop) > 0 {
			stop = int(p.stop[0])
		}
		if _, length = m.l.number.markAt(rest); length == 0 {
			length = m.l.number.extent(rest, stop)
		}
	case p.field == fieldCount:
		for length < len(rest) && m.l.number.numeric(rest[length]) && !(len(p.stop) > 0 && rest[length] == p.stop[0]) {
			length++
		}
	default:
		length = textExtent(p, rest)
	}
	if m.noGap {
		return m.fail(whyNoGap, p, from, len(m.b))
	}
	m.pos += length
	return m.value(p, from, m.pos)
}

// leaveOut passes over a field that is not printed, if the layout gives that a meaning, and gives back the gap before it.
func (m *matcher) leaveOut(p *piece) miss {
	if p.field == fieldUnit {
		m.unitMissing = true
	} else if fault := m.setWord(p, nil, m.pos, len(m.b)); fault.why != whyNone {
		return fault
	}
	if m.wasGap {
		m.pos = m.gapFrom
	}
	m.seen |= 1 << p.field
	return miss{}
}

// textExtent is the length of free text that no width delimits.
func textExtent(p *piece, rest []byte) int {
	switch {
	case p.toEnd:
		return len(trimRight(rest))
	case len(p.stop) > 0:
		if at := bytes.Index(rest, p.stop); at >= 0 {
			return at
		}
		return len(rest)
	}
	for i, c := range rest {
		if isBlank(c) {
			return i
		}
	}
	return len(rest)
}

// value reads the bytes from … to of the line as the field p.
func (m *matcher) value(p *piece, from, to int) miss {
	raw := m.b[from:to]
	if !p.field.passed() && m.has(p.field) {
		return m.fail(whyTwice, p, from, to)
	}
	m.seen |= 1 << p.field
	v := trim(raw)
	if p.beforeWeight && loneSign(v) {
		return m.fail(whyLoneSign, p, from, to)
	}
	fault := whyNone
	switch p.field {
	case fieldIgnore:
	case fieldDigits:
		if !allDigits(v) {
			fault = whyNotCount
		}
	case fieldCheck:
		m.check = checked{from, to}
	case fieldWeight:
		fault = m.weight(v)
	case fieldUnit:
		fault = m.unit(v)
	case fieldStability, fieldKind, fieldRange:
		return m.setWord(p, v, from, to)
	case fieldCount:
		if fault = whyNotCount; allDigits(v) {
			fault = m.r.put(&m.r.count, m.l.page, v)
		}
	case fieldDate:
		fault = m.l.date.put(m.r, m.l.page, v)
	default:
		fault = m.r.put(m.r.span(p.field), m.l.page, v)
	}
	if fault != whyNone {
		return m.fail(fault, p, from, to)
	}
	return miss{}
}

// loneSign says that a text is a sign, or ends with one behind a blank.
func loneSign(v []byte) bool {
	last := len(v) - 1
	return last >= 0 && isSign(v[last]) && (last == 0 || isBlank(v[last-1]))
}

func (m *matcher) weight(v []byte) whyCode {
	if state, ok := m.l.number.mark(v); ok {
		return m.setRange(state)
	}
	digits, auxiliary, fault := m.l.number.normalise(m.r.scratch[:0], v)
	if fault != whyNone {
		return fault
	}
	number, err := decimal.Parse(digits)
	if err != nil {
		return whyNotNumber
	}
	if allowed := m.l.number.decimals; len(allowed) > 0 && !slices.Contains(allowed, number.Scale()) {
		return whyDecimals
	}
	m.r.Number, m.r.HasNumber, m.r.AuxiliaryDigits = number, true, auxiliary
	return whyNone
}

func (m *matcher) setRange(state Range) whyCode {
	if m.r.Range != InRange && state != InRange && m.r.Range != state {
		return whyContradiction
	}
	if state != InRange {
		m.r.Range = state
	}
	return whyNone
}

// setWord looks the word v up in the table of the field p.
func (m *matcher) setWord(p *piece, v []byte, from, to int) miss {
	value, ok := m.l.table(p.field).find(v)
	if !ok {
		return m.fail(whyNotWord, p, from, to)
	}
	switch p.field {
	case fieldStability:
		m.r.Stability = Stability(value)
	case fieldKind:
		m.r.Kind = Kind(value)
	case fieldRange:
		if fault := m.setRange(Range(value)); fault != whyNone {
			return m.fail(fault, p, from, to)
		}
	}
	return miss{}
}
