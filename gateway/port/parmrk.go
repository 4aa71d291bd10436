package port

import "bytes"

// parmrk takes away the marks that a terminal puts into its input where the line was disturbed. IEEE Std 1003.1 (POSIX),
// General Terminal Interface, Input Modes (worded from memory):
//
//   - IGNBRK and BRKINT not set: a break is read as one 0x00, or, if PARMRK is set, as 0xFF 0x00 0x00.
//   - IGNPAR not set and PARMRK set: a byte with a framing or parity error, other than a break, is given as the three bytes
//     0xFF 0x00 X, where X is the byte as received; and so that nobody takes a good 0xFF for the beginning of such a mark, it
//     is given as 0xFF 0xFF, unless ISTRIP is set.
//
// A damaged byte comes out as NUL, as it would without PARMRK: X is what a disturbed line made of the byte, and must
// neither end a line nor stand in a weight. A NUL that is damaged cannot be told from a break.
type parmrk struct {
	seen    int   // of a mark: 0xFF, 0xFF 0x00
	damaged []int // offsets of damaged bytes in what the last decode left
	breaks  []int // offsets before which a break came; as many as there were
}

// decode works in place and gives how many bytes are left. What one call ends in the middle of, the next goes on with.
func (m *parmrk) decode(p []byte) int {
	m.damaged, m.breaks = m.damaged[:0], m.breaks[:0]
	if m.seen == 0 {
		i := bytes.IndexByte(p, 0xFF)
		if i < 0 {
			return len(p)
		}
		return m.from(p, i)
	}
	return m.from(p, 0)
}

// from decodes p, whose first n bytes are no marks.
func (m *parmrk) from(p []byte, n int) int {
	for _, c := range p[n:] {
		switch {
		case m.seen == 0 && c == 0xFF:
			m.seen = 1
			continue
		case m.seen == 1 && c == 0:
			m.seen = 2
			continue
		case m.seen == 2 && c == 0:
			m.seen = 0
			m.breaks = append(m.breaks, n)
			continue
		case m.seen == 2:
			m.seen, c = 0, 0
			m.damaged = append(m.damaged, n)
		case m.seen == 1:
			m.seen = 0
			if c != 0xFF { // no mark that the standard knows: neither byte is to be trusted
				c = 0
				m.damaged = append(m.damaged, n)
			}
		}
		p[n] = c
		n++
	}
	return n
}
