package frame

import "bytes"

// marks is what a rule's byte strings come to, prepared for looking at one byte at a time.
type marks struct {
	terminators [][]byte
	last        [256]bool // bytes that complete a terminator, the start or the end
	filler      [256]bool // bytes that are passed over between frames that have start or end bytes
	extendable  []bool    // for each terminator: a longer one begins with it
	longest     int
	restarts    bool // start bytes inside a frame begin a new one
}

func newMarks(r Rule) marks {
	m := marks{terminators: r.Terminators, extendable: make([]bool, len(r.Terminators))}
	note := func(mark []byte) {
		if len(mark) > 0 {
			m.last[mark[len(mark)-1]] = true
			m.longest = max(m.longest, len(mark))
		}
	}
	note(r.Start)
	note(r.End)
	for i, t := range r.Terminators {
		note(t)
		for _, longer := range r.Terminators {
			m.extendable[i] = m.extendable[i] || len(longer) > len(t) && bytes.HasPrefix(longer, t)
		}
	}
	if len(r.Start) > 0 {
		m.restarts = r.Start[0] < ' '
	}
	if len(r.Start) > 0 || len(r.End) > 0 {
		m.filler['\r'], m.filler['\n'] = true, true
		for _, t := range r.Terminators {
			for _, c := range t {
				m.filler[c] = true
			}
		}
		for _, c := range r.Start {
			m.filler[c] = false
		}
	} else {
		return m
	}
	for i := range m.extendable {
		m.extendable[i] = false // the rest of a longer terminator is passed over anyway
	}
	return m
}

// terminated gives the longest terminator that the collection ends with, without reaching into its first prefix bytes, or
// -1.
func (m *marks) terminated(c *collected, prefix int) int {
	found := -1
	for i, t := range m.terminators {
		if (found < 0 || len(t) > len(m.terminators[found])) && c.endsWith(t, prefix) {
			found = i
		}
	}
	return found
}

// extension finds a terminator that begins with the given one, the held bytes and c, and says whether it ends there. A
// terminator that ends there is preferred. It gives -1 if there is none.
func (m *marks) extension(ended int, held []byte, c byte) (longer int, complete bool) {
	longer = -1
	given := m.terminators[ended]
	n := len(given) + len(held)
	for i, t := range m.terminators {
		if len(t) <= n || !bytes.HasPrefix(t, given) || !bytes.HasPrefix(t[len(given):], held) || t[n] != c {
			continue
		}
		if len(t) == n+1 {
			return i, true
		}
		longer = i
	}
	return longer, false
}

// split appends the lines of b[from:to] to lines. A line ends where it would end in a stream; the longest terminator that
// begins with the one that ended it is passed over.
func (m *marks) split(b []byte, from, to int, lines []Span) []Span {
	start := from
	for i := from; i < to; i++ {
		if !m.last[b[i]] {
			continue
		}
		var ended []byte
		for _, t := range m.terminators {
			if len(t) > len(ended) && bytes.HasSuffix(b[start:i+1], t) {
				ended = t
			}
		}
		if ended == nil {
			continue
		}
		end := i + 1 - len(ended)
		whole := ended
		for _, t := range m.terminators {
			if len(t) > len(whole) && bytes.HasPrefix(t, ended) && bytes.HasPrefix(b[end:to], t) {
				whole = t
			}
		}
		lines = append(lines, Span{start, end})
		start = end + len(whole)
		i = start - 1
	}
	if start < to {
		lines = append(lines, Span{start, to})
	}
	return lines
}
