package learn

import (
	"bytes"
	"slices"
)

// slot is one place of a line, and what each line of the grid has there.
type slot struct {
	kind tokenKind
	vals []span // for each line of the grid; empty where the line has nothing there
	a, b int    // the columns, in a grid of columns
	// What a number is put together from, beside its token.
	detached bool // a sign stands apart before the digits
	trailing bool // a sign stands after the digits
	grouped  bool // blanks group the digits
}

type span struct{ from, to int }

func (s span) empty() bool { return s.from >= s.to }

// grid is a group of lines and the places that they share.
type grid struct {
	lines  [][]byte
	index  []int // of each line: the number of its frame
	toks   [][]token
	slots  []slot
	fixed  bool // the slots are columns
	length int  // of every line, where all are as long
	anchor int  // the column where the digits of the main number end
	page   codePage
	core   []int  // the numbers of its lines among all
	suffix []byte // what follows a check in the line
}

func (g *grid) value(s *slot, i int) []byte {
	v := s.vals[i]
	if v.empty() {
		return nil
	}
	return bytes.Trim(g.lines[i][v.from:v.to], " ")
}

// text is a value as text.
func (g *grid) text(s *slot, i int) string { return g.page.text(g.value(s, i)) }

// distinct counts the values of a slot, "" for missing.
func (g *grid) distinct(s *slot) map[string]int {
	counts := map[string]int{}
	for i := range s.vals {
		counts[g.text(s, i)]++
	}
	return counts
}

// lastDigit is the column after the last digit of a number, brackets and a trailing sign passed over.
func lastDigit(b []byte, t token) int {
	for i := t.to; i > t.from; i-- {
		if isDigit(b[i-1]) {
			return i
		}
	}
	return t.to
}

// anchorOf finds the column where the digits of one number end in most lines, numbers with decimals first.
func anchorOf(lines [][]byte, toks [][]token) (column, count int) {
	votes, decimals := map[int]int{}, map[int]int{}
	for i, b := range lines {
		for _, t := range toks[i] {
			if t.kind != tokNumber {
				continue
			}
			at := lastDigit(b, t)
			votes[at]++
			if decimalAt(t.in(b)) > 0 {
				decimals[at]++
			}
		}
	}
	best := -1
	for at, n := range votes {
		better := best < 0 || n+decimals[at] > votes[best]+decimals[best] || n+decimals[at] == votes[best]+decimals[best] && at < best
		if better {
			best = at
		}
	}
	if best < 0 {
		return 0, 0
	}
	return best, votes[best]
}

// columnGrid explains the lines by columns, or is nil. Lines without a number in the anchor column are left out.
func columnGrid(lines [][]byte, index []int, toks [][]token, page codePage) *grid {
	anchor, _ := anchorOf(lines, toks)
	if anchor == 0 {
		return nil
	}
	g := &grid{fixed: true, anchor: anchor, page: page}
	for i, b := range lines {
		if slices.ContainsFunc(toks[i], func(t token) bool { return t.kind == tokNumber && lastDigit(b, t) == anchor }) {
			g.lines, g.index, g.toks = append(g.lines, b), append(g.index, index[i]), append(g.toks, toks[i])
		}
	}
	if len(g.lines) < FewFrames {
		return nil
	}
	g.commonLength()
	g.cutColumns()
	g.splitUnits()
	g.mergeLabelled()
	g.mergeCells()
	if g.smeared() {
		return nil
	}
	return g
}

// smeared says that a slot of words holds separators: the places behind them have no columns of their own.
func (g *grid) smeared() bool {
	for i := range g.slots {
		if s := &g.slots[i]; s.kind == tokWord && len(g.distinct(s)) > 1 {
			for k := range s.vals {
				if bytes.ContainsAny(g.value(s, k), ",;|\t") {
					return true
				}
			}
		}
	}
	return false
}

// commonLength keeps the lines of the most common length, if that is nearly all of them.
func (g *grid) commonLength() {
	n, share := commonLength(g.lines)
	if share < 0.8 {
		return
	}
	g.length = n
	var keep grid
	for i, b := range g.lines {
		if len(b) == n {
			keep.lines, keep.index, keep.toks = append(keep.lines, b), append(keep.index, g.index[i]), append(keep.toks, g.toks[i])
		}
	}
	if len(keep.lines) >= FewFrames {
		g.lines, g.index, g.toks = keep.lines, keep.index, keep.toks
	} else {
		g.length = 0
	}
}

// cutColumns cuts the lines at every column that no token crosses in any line.
func (g *grid) cutColumns() {
	width := 0
	for _, b := range g.lines {
		width = max(width, len(b))
	}
	crossed, filled := make([]bool, width+1), make([]bool, width)
	for i := range g.lines {
		for _, t := range g.toks[i] {
			for c := t.from; c < t.to; c++ {
				filled[c] = true
				if c > t.from {
					crossed[c] = true
				}
			}
		}
	}
	for c := 0; c < width; {
		if !filled[c] {
			c++
			continue
		}
		a := c
		for c++; c < width && crossed[c]; c++ {
		}
		g.slots = append(g.slots, g.column(a, c))
	}
	g.mergeColumns()
}

// column makes the slot of the columns a … b.
func (g *grid) column(a, b int) slot {
	s := slot{a: a, b: b, vals: make([]span, len(g.lines))}
	var kinds [tokTime + 1]int
	present, several := 0, false
	for i := range g.lines {
		first, last, n := -1, -1, 0
		for _, t := range g.toks[i] {
			if t.from < a || t.to > b {
				continue
			}
			if first < 0 {
				first = t.from
			}
			last = t.to
			n++
			kinds[t.kind]++
		}
		if first >= 0 {
			s.vals[i] = span{first, last}
			present++
			several = several || n > 1 // a name with a stroke is no mark
			if n > 1 {
				kinds[tokWord] += 2
			}
		}
	}
	s.kind = tokWord
	for k := tokNumber; k <= tokTime; k++ {
		if kinds[k] == present && present > 0 && (k != tokMark || !several) {
			s.kind = k
		}
	}
	for i := range s.vals {
		v := g.value(&s, i)
		s.detached = s.detached || s.kind == tokNumber && len(v) > 2 && isSign(v[0]) && v[1] == ' '
	}
	return s
}
