package frame

// collector joins lines into a print block.
type collector struct {
	rule     Block
	most     int // bytes
	maxLines int
	gapEnds  bool // a silence ends the block: there is no last line to wait for

	collected
	open    bool
	opening bool
	spoilt  string
	count   int    // lines so far, blank ones included
	blanks  int    // blank lines since the last that is not
	lines   []Span // of buf
	used    int    // how many of them, up to the last that is not blank
}

func newCollector(r Rule, most, maxLines int) *collector {
	return &collector{
		rule: *r.Block, most: most, maxLines: maxLines,
		gapEnds:   r.IdleGap > 0 && len(r.Block.Last) == 0,
		collected: newCollected(most, 0), lines: make([]Span, 0, maxLines),
	}
}

// line takes the next line, blank or faulty ones too.
func (c *collector) line(f Frame, emit func(Frame)) {
	sound := f.Fault == ""
	empty := sound && blank(f.Body)
	first := sound && len(c.rule.First) > 0 && anyMatches(c.rule.First, f.Body)
	last := sound && anyMatches(c.rule.Last, f.Body)
	switch {
	case !c.open && empty:
		return
	case !c.open && len(c.rule.First) > 0 && !first:
		if sound {
			f.Fault, f.Body, f.Trailer = faultStrayLine, nil, nil
		}
		emit(f)
		return
	case !c.open:
		// A line that cannot be used still opens a block where any line does: what follows is not the whole block.
		c.begin(f)
		c.append(f, empty)
		last = last && len(c.rule.First) == 0
	case first && !last:
		c.fail(faultNewBlock, emit)
		c.begin(f)
		c.append(f, empty)
	default:
		c.append(f, empty)
	}
	if last || c.rule.BlankLines > 0 && c.blanks >= c.rule.BlankLines {
		c.finish(emit)
	}
}

func (c *collector) begin(f Frame) {
	c.close()
	c.open, c.start = true, f.Offset
	c.opening = f.Opening && len(c.rule.First) == 0
}

// append adds a line to the open block, as far as there is room.
func (c *collector) append(f Frame, empty bool) {
	if c.blanks++; !empty {
		c.blanks = 0
	}
	c.count++
	many := c.count > c.maxLines
	if many && !empty && c.spoilt == "" {
		c.spoilt = tooManyLines(c.maxLines) // blank lines beyond may be the block's end
	}
	if f.Fault != "" && c.spoilt == "" {
		c.spoilt = faultBrokenLine + f.Fault
	}
	if many && c.spoilt != "" {
		c.over += f.End - f.Offset
		return
	}
	from := len(c.buf)
	c.run(f.Bytes)
	c.over += f.End - f.Offset - int64(len(f.Bytes)) // what the line itself had lost
	if many || c.over > 0 || c.spoilt != "" {
		return
	}
	c.lines = append(c.lines, Span{from, from + len(f.Body)})
	if !empty {
		c.used = len(c.lines)
	}
}

// filler adds bytes that stand between lines, such as the LF after a CR that ended the line.
func (c *collector) filler(p []byte) {
	if c.open {
		c.run(p)
	}
}

// finish hands over the open block.
func (c *collector) finish(emit func(Frame)) {
	f := Frame{Bytes: c.buf, Offset: c.start, End: c.start + c.total(), Opening: c.opening}
	if f.Fault = whole(c.spoilt, c.most, c.over); f.Fault == "" {
		f.Lines = c.lines[:c.used]
		f.Body = c.buf[:f.Lines[c.used-1].To]
	}
	c.close()
	emit(f)
}

// fail hands over the open block as a faulty frame.
func (c *collector) fail(why string, emit func(Frame)) {
	if c.spoilt == "" && c.over == 0 {
		c.spoilt = why
	}
	c.finish(emit)
}

// close forgets the block. The bytes of a frame just handed over stay until the next line.
func (c *collector) close() {
	c.collected.clear()
	c.open, c.opening, c.spoilt = false, false, ""
	c.count, c.blanks, c.used, c.lines = 0, 0, 0, c.lines[:0]
}

// idle acts on a silence between lines.
func (c *collector) idle(emit func(Frame)) {
	switch {
	case !c.open:
	case c.gapEnds:
		c.finish(emit)
	case len(c.rule.First) > 0:
		c.fail(faultBlockGap, emit)
	case c.spoilt == "":
		c.spoilt = faultBlockGap // any line opens a block: the rest of this one must not
	}
}

// flush acts on the end of a file.
func (c *collector) flush(emit func(Frame)) {
	switch {
	case !c.open:
	case c.gapEnds && c.rule.BlankLines == 0:
		c.finish(emit)
	default:
		c.fail(faultBlockFile, emit)
	}
}
