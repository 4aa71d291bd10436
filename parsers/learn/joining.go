package learn

import (
	"bytes"
	"slices"
)

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
	return g.leads(l, r, func(v []byte) []byte { return bytes.TrimLeft(v, "+-") })
}

// leads says that one blank stands between l and r, and that r has three digits wherever l is there, and fewer somewhere else.
// unsigned takes the sign off a value of r.
func (g *grid) leads(l, r *slot, unsigned func([]byte) []byte) bool {
	shown, short := false, false
	for i := range r.vals {
		lv, rv := g.value(l, i), g.value(r, i)
		whole := digitRun(unsigned(rv))
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
