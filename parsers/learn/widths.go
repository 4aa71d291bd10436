package learn

// extent is the columns that a slot's field takes.
type extent struct{ a, b int }

// extents gives each slot its columns, and shares out those that are always blank.
func (p *plan) extents() []extent {
	g := p.g
	ext := make([]extent, len(g.slots))
	for i := range g.slots {
		ext[i] = extent{g.slots[i].a, g.slots[i].b}
	}
	end := g.length
	for i := range g.slots {
		prev := 0
		if i > 0 {
			prev = ext[i-1].b
		}
		if i == p.weight && i > 0 && p.freeText(i-1) {
			prev = p.blankBefore(i, &ext[i-1])
		}
		next := end
		if i+1 < len(g.slots) {
			next = g.slots[i+1].a
		}
		p.widen(i, &ext[i], prev, next)
	}
	return ext
}

// freeText says that the field of a slot may hold anything.
func (p *plan) freeText(i int) bool {
	switch p.fieldAt(i) {
	case "sample", "person", "balance", "ignore", "date", "time", "range_number":
		return true
	}
	return false
}

// blankBefore keeps a column between a text and the weight that must be blank: a weight that is longer than its field would
// lose its first digits to the text. It gives the first column that the weight may take.
func (p *plan) blankBefore(i int, before *extent) (first int) {
	s := &p.g.slots[i]
	if before.b >= s.a {
		before.b = s.a - 1
	}
	if before.b < p.g.slots[i-1].b {
		before.b = p.g.slots[i-1].b
		p.crowded = true
	}
	return before.b + 1
}

// widen lets a field take blank columns beside it that longer values will need.
func (p *plan) widen(i int, e *extent, prev, next int) {
	s := &p.g.slots[i]
	left, right := p.edges(s)
	field := p.fieldAt(i)
	switch {
	case field == "weight" || field == "count" || s.kind == tokNumber && field != "":
		if left && !right && next > e.b { // digits begin in one column
			e.b = next
			return
		}
		e.a = prev
	case field == "unit" && i > p.weight:
		if e.a-prev >= 2 {
			e.a = prev + 1
		}
		if next-e.b >= 2 || next > e.b && i == len(p.g.slots)-1 {
			e.b = min(next, e.b+3)
			if i < len(p.g.slots)-1 {
				e.b = min(e.b, next-1)
			}
		}
	case field == "unit":
		if next-e.b > 3 {
			e.b = min(e.a+3, next-1)
		}
	case field == "sample" || field == "person" || field == "balance" || field == "ignore":
		if right && !left {
			e.a = min(e.a, prev+1)
			return
		}
		room := next - e.b
		if i+1 < len(p.g.slots) && p.g.slots[i+1].kind == tokNumber && p.fieldAt(i+1) != "" && !p.signColumn(i+1) {
			room -= 4 // the number behind may be longer
		}
		if i+1 < len(p.g.slots) && p.fieldAt(i+1) != "" {
			room--
		}
		e.b += max(0, room)
	}
}

// signColumn says that all lines have a sign in the first column of a number, apart from the digits: there it begins.
func (p *plan) signColumn(i int) bool {
	s, apart := &p.g.slots[i], false
	for k, v := range s.vals {
		b := p.g.value(s, k)
		if len(b) < 2 || v.from != s.a || !isSign(b[0]) {
			return false
		}
		apart = apart || b[1] == ' '
	}
	return apart
}

// edges says whether all values of a slot begin in one column, and end in one. A sign behind the digits has a column of its
// own, which most values leave blank.
func (p *plan) edges(s *slot) (left, right bool) {
	left, right = true, true
	digits, end := true, 0
	for k, v := range s.vals {
		if v.empty() {
			continue
		}
		at := lastDigit(p.g.lines[k], token{from: v.from, to: v.to})
		if end == 0 {
			end = at
		}
		left, right, digits = left && v.from == s.a, right && v.to == s.b, digits && at == end
	}
	return left, right || digits && s.kind == tokNumber && end >= s.b-1
}

// gapBefore is the fewest and the most blanks between slot i and whatever stands before it.
func (p *plan) gapBefore(i int) (least, most int) {
	least = 1 << 30
	for k := range p.g.lines {
		v := p.g.slots[i].vals[k]
		if v.empty() {
			continue
		}
		from := 0
		for j := i - 1; j >= 0; j-- {
			if w := p.g.slots[j].vals[k]; !w.empty() {
				from = w.to
				break
			}
			if c := p.g.column1(j); !c.empty() && v.from >= c.to {
				from = c.to
				break
			}
		}
		least, most = min(least, v.from-from), max(most, v.from-from)
	}
	return min(least, most), most
}

// column1 is where a mark stands in all lines that have it: the first column of lines that begin with a blank where it is
// missing. It is empty for any other slot.
func (g *grid) column1(i int) span {
	s := &g.slots[i]
	if i > 0 || s.kind != tokMark && s.kind != tokWord || g.present(s) == len(s.vals) {
		return span{}
	}
	for k, v := range s.vals {
		if !v.empty() && v != (span{0, 1}) || v.empty() && g.lines[k][0] != ' ' {
			return span{}
		}
	}
	return span{0, 1}
}

// paddedText is the width of a text that is filled up with blanks to a column where the next piece begins in all lines, less
// the one blank that keeps them apart: without it the first digit of a longer weight would be lost to the text. It is 0
// elsewhere.
func (p *plan) paddedText(i int) int {
	switch p.fieldAt(i) {
	case "sample", "person", "balance", "ignore":
	default:
		return 0
	}
	s, step, longest, lengths, numbers := &p.g.slots[i], 0, 0, map[int]bool{}, map[int]bool{}
	if s.kind != tokWord || i+1 >= len(p.g.slots) {
		return 0
	}
	for k, v := range s.vals {
		next := p.g.slots[i+1].vals[k]
		if next.empty() && !v.empty() {
			continue
		}
		if v.empty() || step > 0 && next.from-v.from != step {
			return 0
		}
		step, longest = next.from-v.from, max(longest, v.to-v.from)
		lengths[v.to-v.from], numbers[next.to-next.from] = true, true
	}
	if len(lengths) < 2 || step < longest+1 {
		return 0
	}
	if p.g.slots[i+1].kind == tokNumber && len(numbers) == 1 {
		return max(longest, step-5) // the numbers may end in one column, and a longer one begin before
	}
	return step - 1
}

// cell is the width of a word or a mark that begins in one place and is filled up with blanks to a mark or a word that never
// changes, where none are left behind the longest, or it is missing in some lines: a blank between the two would refuse one or
// the other. gap is the blanks before it. The width is 0 elsewhere.
func (p *plan) cell(i int) (width, gap int) {
	if i < 0 || i+1 >= len(p.g.slots) || p.fieldAt(i) == "" || i == p.unit || i == p.weight || p.fieldAt(i+1) != "" {
		return 0, 0
	}
	s, room, lengths, full := &p.g.slots[i], -1, map[int]bool{}, false
	if s.kind != tokWord && s.kind != tokMark {
		return 0, 0
	}
	gap = -1
	for k, v := range s.vals {
		from, next := 0, p.g.slots[i+1].vals[k]
		if i > 0 {
			from = p.g.slots[i-1].vals[k].to
		}
		if next.empty() || i > 0 && p.g.slots[i-1].vals[k].empty() || room >= 0 && next.from-from != room {
			return 0, 0
		}
		room = next.from - from
		if lengths[v.to-v.from] = true; v.empty() {
			continue
		}
		if gap >= 0 && v.from-from != gap {
			return 0, 0
		}
		gap, full = v.from-from, full || v.to == next.from
	}
	if len(lengths) < 2 || gap < 0 || !full && !p.g.separates(&p.g.slots[i+1]) {
		return 0, 0
	}
	return room - gap, gap
}

// dotBehind says that each value of an ignored number is digits and a full stop, as a running number is printed. The stop
// keeps other lines out: {ignore} alone takes any word, and a mean or a difference would be read as a weight.
func (p *plan) dotBehind(i int) bool {
	s := &p.g.slots[i]
	if s.kind != tokNumber || p.roles[i].field != "ignore" || i == p.weight {
		return false
	}
	for k := range s.vals {
		v := p.g.value(s, k)
		if n := len(v); n < 2 || v[n-1] != '.' || digitRun(v) != n-1 {
			return false
		}
	}
	return true
}

// cellWidth is the width of a number with the blanks before it, where that is the same in all lines, and 0 elsewhere.
func (p *plan) cellWidth(i int) (width int) {
	s := &p.g.slots[i]
	if s.kind != tokNumber || i == 0 {
		return 0
	}
	for k := range p.g.lines {
		v, w := s.vals[k], p.g.slots[i-1].vals[k]
		if v.empty() || w.empty() || width != 0 && v.to-w.to != width {
			return 0
		}
		width = v.to - w.to
	}
	return width
}

// multiWord says that a date or time has blanks inside, where a field without width would end.
func (p *plan) multiWord(i int) bool {
	s := &p.g.slots[i]
	return (s.kind == tokDate || s.kind == tokTime) && multiWord(p.g.value(s, 0))
}

// needsWidth says that a field is followed directly by another, and nothing else says where it ends.
func (p *plan) needsWidth(i int) bool {
	if i+1 >= len(p.g.slots) || p.fieldAt(i+1) == "" {
		return false
	}
	if _, most := p.gapBefore(i + 1); most > 0 {
		return false
	}
	field, next := p.fieldAt(i), p.fieldAt(i+1)
	words := func(f string) bool { return f == "stability" || f == "kind" || f == "range" }
	if field == "weight" || field == "count" {
		return !words(next) && next != "unit"
	}
	return !(words(field) && (next == "weight" || next == "count"))
}

// constantWidth is the width that all values of a slot share, or 0.
func (p *plan) constantWidth(i int) (width int) {
	for _, v := range p.g.slots[i].vals {
		n := v.to - v.from
		if v.empty() || width != 0 && n != width {
			return 0
		}
		width = n
	}
	return width
}
