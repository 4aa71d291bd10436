package layout

import (
	"weighpost/parsers/frame"
	"weighpost/parsers/sum"
)

// checkRule says how a balance makes and writes its check characters.
type checkRule struct {
	kind     sum.Kind
	written  checkForm
	lowFirst bool // of a check of two bytes
	start    bool // the frame's start bytes are covered
	end      bool // the frame's end bytes are covered
	after    bool // the check stands after the frame's end bytes, not in the line
}

type checkForm uint8

const (
	writtenHex checkForm = iota
	writtenRaw
	writtenDecimal
)

// width is how many bytes the check takes.
func (c *checkRule) width() int {
	n := c.kind.Width() / 8
	switch c.written {
	case writtenHex:
		return 2 * n
	case writtenDecimal:
		return 1 + 2*n // 255, 65535
	}
	return n
}

// parse reads printed check characters.
func (c *checkRule) parse(b []byte) (value uint16, ok bool) {
	var v uint32
	if len(b) != c.width() {
		return 0, false
	}
	for _, x := range b {
		switch {
		case c.written == writtenRaw:
			v = v<<8 | uint32(x)
		case isDigit(x):
			v = v*c.base() + uint32(x-'0')
		case c.written == writtenHex && (x|0x20) >= 'a' && (x|0x20) <= 'f':
			v = v<<4 | uint32(x|0x20-'a'+10)
		default:
			return 0, false
		}
	}
	if v > 1<<c.kind.Width()-1 {
		return 0, false
	}
	return c.swap(uint16(v)), true
}

func (c *checkRule) base() uint32 {
	if c.written == writtenDecimal {
		return 10
	}
	return 16
}

func (c *checkRule) swap(v uint16) uint16 {
	if c.lowFirst && c.kind.Width() == 16 {
		return v<<8 | v>>8
	}
	return v
}

// write appends a check as the balance writes it.
func (c *checkRule) write(dst []byte, value uint16) []byte {
	v, n := c.swap(value), c.width()
	switch c.written {
	case writtenRaw:
		if n == 2 {
			dst = append(dst, byte(v>>8))
		}
		return append(dst, byte(v))
	case writtenHex:
		for i := n - 1; i >= 0; i-- {
			dst = append(dst, hexDigits[v>>(4*i)&15])
		}
		return dst
	}
	var digits [5]byte
	for i := n - 1; i >= 0; i-- {
		digits[i], v = digit(int(v)), v/10
	}
	return append(dst, digits[:n]...)
}

// verifyLine compares the check within the line that m has just matched. at is where the line begins in f.Bytes.
func (m *matcher) verifyLine(f frame.Frame, at int, p *piece) miss {
	c, printed := m.l.check, m.b[m.check.from:m.check.to]
	from, to := max(m.from, 0), m.to
	if to < 0 {
		to = m.check.from
	}
	covered := m.b[from:to] // the marks stand in this order and before the check: Parse sees to it
	if c.start && m.from < 0 {
		covered = f.Bytes[:at+to] // the line is the first after the start bytes: Parse allows covers_start in no other
	}
	return m.compare(covered, printed, m.fail(whyNone, p, m.check.from, m.check.to))
}

// verifyTrailer compares the check that follows the frame's end bytes.
func (m *matcher) verifyTrailer(f frame.Frame) miss {
	start, end := len(m.l.rule.Start), len(m.l.rule.End)
	from, to := 0, start+len(f.Body)+end
	if !m.l.check.start {
		from = start
	}
	if !m.l.check.end {
		to -= end
	}
	if to > len(f.Bytes) || len(f.Trailer) == 0 {
		return miss{why: whyNotCheck, piece: trailerPiece, line: f.Bytes, at: len(f.Bytes), to: len(f.Bytes)}
	}
	at := start + len(f.Body) + end
	return m.compare(f.Bytes[from:to], f.Trailer, miss{piece: trailerPiece, line: f.Bytes, at: at, to: at + len(f.Trailer)})
}

// trailerPiece stands for the check after the end bytes in a sentence.
var trailerPiece = &piece{kind: pieceField, field: fieldCheck}

// compare gives the place of the check back, with what is wrong.
func (m *matcher) compare(covered, printed []byte, place miss) miss {
	value, ok := m.l.check.parse(printed)
	switch {
	case !ok:
		place.why = whyNotCheck
	case sum.Compute(m.l.check.kind, covered) != value:
		place.why = whyCheck
	default:
		m.r.checkOK = true
		return miss{}
	}
	return place
}
