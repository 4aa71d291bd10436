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

// mergeColumns joins what belongs to one number or one text in a grid of columns.
func (g *grid) mergeColumns() {
	g.joinAll(joinRules{g.signAfter, g.groupedBy, func(i int) bool { return g.oneText(&g.slots[i], &g.slots[i+1]) }})
}

// joinRules are the rules by which columns and tokens differ: whether a slot holds the sign, or the next group of digits, of the
// number before it; and whether slot i and the next are one text.
type joinRules struct {
	signAfter, groups func(l, r *slot) bool
	text              func(i int) bool
}

// joinAll joins what belongs to one number or one text.
func (g *grid) joinAll(rules joinRules) {
	for i := 0; i+1 < len(g.slots); {
		left, right := &g.slots[i], &g.slots[i+1]
		switch {
		case g.phrase(left, right):
			g.join(i, tokWord)
		case g.signBefore(left, right):
			g.join(i, tokNumber)
			g.slots[i].detached = true
		case rules.signAfter(left, right):
			g.join(i, tokNumber)
			g.slots[i].trailing = true
		case rules.groups(left, right):
			g.join(i, tokNumber)
			g.slots[i].grouped = true
		case rules.text(i):
			g.join(i, tokWord)
		default:
			i++
			continue
		}
		i = max(0, i-1)
	}
}

// phrase says that two neighbours make a usual phrase of the trade in some lines, such as "preset tare".
func (g *grid) phrase(l, r *slot) bool {
	if l.kind != tokWord || r.kind != tokWord {
		return false
	}
	found := false
	for i := range l.vals {
		if l.vals[i].empty() || r.vals[i].empty() || r.vals[i].from-l.vals[i].to > 1 {
			continue
		}
		m, ok := tradeWord(g.text(l, i) + " " + g.text(r, i))
		one, known := tradeWord(g.text(r, i))
		found = found || ok && (!known || one != m)
	}
	return found
}

// join makes one slot of number i and the next.
func (g *grid) join(i int, kind tokenKind) {
	l, r := g.slots[i], g.slots[i+1]
	j := slot{kind: kind, a: l.a, b: r.b, vals: make([]span, len(l.vals)), detached: l.detached || r.detached, grouped: l.grouped || r.grouped, trailing: l.trailing || r.trailing}
	for k := range l.vals {
		j.vals[k] = cover(l.vals[k], r.vals[k])
	}
	g.slots[i] = j
	g.slots = slices.Delete(g.slots, i+1, i+2)
}

func cover(a, b span) span {
	switch {
	case a.empty():
		return b
	case b.empty():
		return a
	}
	return span{min(a.from, b.from), max(a.to, b.to)}
}

// signsOnly says that every value of the slot is a sign or nothing, and one at least a minus.
func (g *grid) signsOnly(s *slot) bool {
	minus := false
	for i := range s.vals {
		switch v := string(g.value(s, i)); v {
		case "", "+":
		case "-":
			minus = true
		default:
			return false
		}
	}
	return minus || len(g.distinct(s)) == 1 && string(g.value(s, 0)) == "+"
}

// eitherSign says that each line has a sign, either alone in l or at the digits of r.
func (g *grid) eitherSign(l, r *slot) bool {
	for i := range l.vals {
		v, w := string(g.value(l, i)), g.value(r, i)
		if v != "" && v != "+" && v != "-" || len(w) == 0 || (v == "") != isSign(w[0]) {
			return false
		}
	}
	return true
}

func (g *grid) signBefore(l, r *slot) bool {
	if r.kind != tokNumber || l.kind != tokMark || !g.signsOnly(l) && !g.eitherSign(l, r) {
		return false
	}
	for i := range r.vals {
		v, w := g.value(r, i), l.vals[i]
		if len(v) == 0 || isSign(v[0]) && !w.empty() {
			return false
		}
		if !w.empty() && w.from > 0 && isSign(g.lines[i][w.from-1]) {
			return false // a mark of two characters, such as +-
		}
	}
	return !g.swings(l, r)
}

// swings says that signs change while the digits do not: a load of 985 does not become one of -1002 by itself, and the signs
// are marks of something else.
func (g *grid) swings(l, r *slot) bool {
	ways := styles(g.values(r), false)
	if len(ways) == 0 {
		return false
	}
	for k := 1; k < len(r.vals); k++ {
		if (string(g.value(l, k)) == "-") == (string(g.value(l, k-1)) == "-") {
			continue
		}
		a, _ := ways[0].read(g.value(r, k-1))
		b, _ := ways[0].read(g.value(r, k))
		x, y := a.Coefficient(), b.Coefficient()
		if a.Scale() == b.Scale() && min(x, y) > 50 && max(x, y)-min(x, y) < max(x, y)/20 {
			return true
		}
	}
	return false
}

func (g *grid) signAfter(l, r *slot) bool {
	if l.kind != tokNumber || r.kind != tokMark || r.a != l.b || !g.signsOnly(r) {
		return false
	}
	signs := 0
	for i := range l.vals {
		v := g.value(l, i)
		if len(v) == 0 || isSign(v[0]) {
			return false
		}
		if w := string(g.value(r, i)); w == "-" {
			return true
		} else if w == "+" {
			signs++
		}
	}
	return signs == len(l.vals)
}

// groupedBy says that l holds the leading groups of the number r: where it is empty, r has fewer digits.
func (g *grid) groupedBy(l, r *slot) bool {
	if r.kind != tokNumber || l.kind != tokNumber || r.a-l.b > 1 {
		return false
	}
	shown, short := false, false
	for i := range r.vals {
		lv, rv := g.value(l, i), g.value(r, i)
		whole := digitRun(bytes.TrimLeft(rv, "+-"))
		if len(lv) == 0 {
			short = short || whole < 3
			continue
		}
		shown = true
		if len(rv) == 0 || isSign(rv[0]) || whole != 3 || !groupDigits(lv) || r.vals[i].from-l.vals[i].to != 1 {
			return false
		}
	}
	return shown && short
}

// groupDigits says that b is a sign and groups of digits between blanks, the first of one to three, the others of three.
func groupDigits(b []byte) bool {
	for i, part := range bytes.Fields(bytes.TrimLeft(b, "+- ")) {
		if digitRun(part) != len(part) || len(part) > 3 || i > 0 && len(part) != 3 {
			return false
		}
	}
	return true
}

// oneText says that two neighbours are parts of one text: where the second is there, the first reaches up to it.
func (g *grid) oneText(l, r *slot) bool {
	gap := r.a - l.b
	if gap > 1 || l.kind == tokNumber && l.detached {
		return false
	}
	if l.kind != tokWord || r.kind == tokDate || r.kind == tokTime || len(g.distinct(l)) == 1 || r.kind == tokMark && !g.inName(r) || g.distinct(r)["-"] > 0 {
		return false
	}
	if g.unitsOnly(l) || g.unitsOnly(r) || g.isMeasure(l) || g.isMeasure(r) {
		return false
	}
	both, alone := 0, 0
	for i := range l.vals {
		lv, rv := l.vals[i], r.vals[i]
		switch {
		case !rv.empty() && lv.empty():
			return false
		case !rv.empty() && rv.from-lv.to == gap && (gap == 1 || lv.to == rv.from):
			both++
		case !rv.empty():
			return false
		case !lv.empty():
			alone++
		}
	}
	return both > 0 && alone > 0
}

// isMeasure says that the slot's numbers have decimals, or stand in the anchor column.
func (g *grid) isMeasure(s *slot) bool {
	if s.kind != tokNumber {
		return false
	}
	for i := range s.vals {
		if decimalAt(g.value(s, i)) > 0 || g.anchor > 0 && s.a < g.anchor && g.anchor <= s.b {
			return true
		}
	}
	return false
}

// unitsOnly says that every value is a symbol of a unit or nothing.
func (g *grid) unitsOnly(s *slot) bool {
	found := false
	for v := range g.distinct(s) {
		if v == "" {
			continue
		}
		if !unitLike(v) {
			return false
		}
		found = true
	}
	return found
}
