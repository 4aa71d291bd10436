package frame

import "bytes"

// collected is a run of bytes of which only the first are kept.
type collected struct {
	buf    []byte // the first bytes, at most its capacity
	over   int64  // how many came after them
	start  int64  // offset of the first
	recent []byte // if over > 0, the latest bytes, enough to find a mark in
	near   int    // how many that is
}

func newCollected(most, near int) collected {
	return collected{buf: make([]byte, 0, most), recent: make([]byte, 0, near), near: near}
}

func (c *collected) total() int64 { return int64(len(c.buf)) + c.over }

func (c *collected) clear() { c.buf, c.recent, c.over = c.buf[:0], c.recent[:0], 0 }

// empty says whether nothing or only blanks were received.
func (c *collected) empty() bool { return c.over == 0 && blank(c.buf) }

// add takes one byte.
func (c *collected) add(b byte) {
	if c.over == 0 && len(c.buf) < cap(c.buf) {
		c.buf = append(c.buf, b)
		return
	}
	if c.over == 0 {
		c.recent = append(c.recent[:0], c.buf[len(c.buf)-min(len(c.buf), c.near):]...)
	}
	c.over++
	if c.near == 0 {
		return
	}
	if len(c.recent) == c.near {
		copy(c.recent, c.recent[1:])
		c.recent = c.recent[:c.near-1]
	}
	c.recent = append(c.recent, b)
}

// run takes several bytes.
func (c *collected) run(p []byte) {
	if c.over == 0 {
		n := min(len(p), cap(c.buf)-len(c.buf))
		c.buf = append(c.buf, p[:n]...)
		p = p[n:]
	}
	if len(p) == 0 {
		return
	}
	c.add(p[0])
	p = p[1:]
	// Of a long rest only the latest bytes can matter: they push all others out of recent.
	if skip := len(p) - c.near; skip > 0 {
		c.over += int64(skip)
		p = p[skip:]
	}
	for _, b := range p {
		c.add(b)
	}
}

// endsWith says whether the run ends with a mark that does not reach into its first prefix bytes.
func (c *collected) endsWith(mark []byte, prefix int) bool {
	if len(mark) == 0 || c.total() < int64(prefix+len(mark)) {
		return false
	}
	if c.over > 0 {
		return bytes.HasSuffix(c.recent, mark)
	}
	return bytes.HasSuffix(c.buf, mark)
}
