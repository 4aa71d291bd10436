package learn

import "slices"

// tokenGrid explains lines of different lengths by their tokens in order, or is nil. Lines that need too many changes are
// left out.
func tokenGrid(lines [][]byte, index []int, toks [][]token, page codePage) *grid {
	order := byFrequency(lines, toks, page)
	if len(order) == 0 {
		return nil
	}
	p := &profile{page: page}
	p.seed(lines, toks, order[0])
	for _, i := range order[1:] {
		p.add(lines, toks, i)
	}
	return p.grid(lines, toks, index)
}

// signature is the kinds of a line's tokens, with the marks themselves.
func signature(b []byte, toks []token, page codePage) string {
	s := make([]byte, 0, len(toks)+8)
	for _, t := range toks {
		switch {
		case t.kind == tokMark:
			s = append(s, b[t.from])
		case t.to-t.from == 1 && isLetter(b[t.from]) && b[t.from] < 0x80 && !unitLike(string(t.in(b))):
			s = append(s, 0xF1) // one letter is a mark
		case t.kind == tokMark && t.to-t.from == 1 && !separator(b[t.from]):
			s = append(s, 0xF1)
		case t.kind == tokWord && unitLike(page.text(t.in(b))):
			s = append(s, 0xF0)
		default:
			s = append(s, 0xE0+byte(t.kind))
		}
	}
	return string(s)
}

// byFrequency orders the lines that hold a number by how common their signature is.
func byFrequency(lines [][]byte, toks [][]token, page codePage) []int {
	counts := map[string]int{}
	signs := make([]string, len(lines))
	var order []int
	for i, b := range lines {
		if !slices.ContainsFunc(toks[i], func(t token) bool { return t.kind == tokNumber }) {
			continue
		}
		signs[i] = signature(b, toks[i], page)
		counts[signs[i]]++
		order = append(order, i)
	}
	slices.SortStableFunc(order, func(x, y int) int {
		if c := counts[signs[y]] - counts[signs[x]]; c != 0 {
			return c
		}
		return 0
	})
	return order
}

// profile is the tokens that lines share, in order.
type profile struct {
	places []place
	lines  []int
	page   codePage
}

// place is one position of the profile.
type place struct {
	kind     tokenKind
	texts    map[string]int
	units    bool
	optional bool
	at       map[int]token // of each line that has it
}

func (p *profile) seed(lines [][]byte, toks [][]token, i int) {
	for _, t := range toks[i] {
		p.places = append(p.places, p.newPlace(lines[i], t, i))
	}
	p.lines = append(p.lines, i)
}

func (p *profile) newPlace(b []byte, t token, i int) place {
	text := p.page.text(t.in(b))
	return place{kind: t.kind, texts: map[string]int{text: 1}, units: t.kind != tokNumber && unitLike(text), at: map[int]token{i: t}}
}

// The costs of an alignment. A token that fits a place costs nothing; leaving out or adding one costs more than taking a
// different word or mark in its place, and less than taking a number for a word.
const (
	costSkip   = 16
	costAgain  = 12 // of leaving out a place that another line has left out before
	costInsert = 18
	mostCost   = 75
)

func (p *profile) cost(pl *place, b []byte, t token) int {
	text := p.page.text(t.in(b))
	if pl.texts[text] > 0 && pl.kind == t.kind {
		return 0
	}
	switch {
	case pl.kind == t.kind && (t.kind == tokNumber || t.kind == tokDate || t.kind == tokTime):
		return 1
	case pl.units != (t.kind != tokNumber && unitLike(text)):
		return 30
	case pl.units:
		return 2
	case pl.kind == tokMark && t.kind == tokMark:
		return markCost(pl, b[t.from])
	case pl.kind == tokWord && t.kind == tokWord:
		return 8
	case pl.kind == tokMark && t.kind == tokWord && t.to-t.from == 1, pl.kind == tokWord && t.kind == tokMark && pl.narrow():
		if c := b[t.from]; separator(c) || pl.kind == tokMark && pl.separates() {
			return 40
		}
		return 10
	case pl.kind == tokNumber && t.kind == tokWord && hasDigit(text), pl.kind == tokWord && t.kind == tokNumber:
		return 20
	case pl.kind == tokMark && t.kind == tokNumber, pl.kind == tokNumber && t.kind == tokMark:
		return 40 // a number is no mark
	}
	return 33
}

// narrow says that all texts of a place are one character.
func (pl *place) narrow() bool {
	for text := range pl.texts {
		if len(text) > 1 {
			return false
		}
	}
	return true
}

// separates says that a text of a place is a separator.
func (pl *place) separates() bool {
	for text := range pl.texts {
		if separator(text[0]) {
			return true
		}
	}
	return false
}

// markCost is low between marks that can be values of one place and high between separators.
func markCost(pl *place, c byte) int {
	for text := range pl.texts {
		if separator(text[0]) || separator(c) {
			return 40
		}
	}
	return 9
}

func separator(c byte) bool {
	switch c {
	case ',', ';', '|', '\t', ':', '/', '(', ')', '[', ']', '{', '}':
		return true
	}
	return false
}

func hasDigit(s string) bool {
	for i := range len(s) {
		if isDigit(s[i]) {
			return true
		}
	}
	return false
}

// add aligns a line with the profile and takes it in, unless it needs too many changes.
func (p *profile) add(lines [][]byte, toks [][]token, line int) {
	b, ts := lines[line], toks[line]
	n, m := len(p.places), len(ts)
	if m > 200 || n > 200 {
		return
	}
	if p.oneMark(b, ts) {
		for i, t := range ts {
			p.enter(&p.places[i], b, t, line)
		}
		p.lines = append(p.lines, line)
		return
	}
	cost := make([][]int, n+1)
	for i := range cost {
		cost[i] = make([]int, m+1)
	}
	skip := func(i int) int {
		if p.places[i].optional {
			return costAgain
		}
		return costSkip
	}
	for i := n; i >= 0; i-- {
		for j := m; j >= 0; j-- {
			switch {
			case i == n && j == m:
			case i == n:
				cost[i][j] = cost[i][j+1] + costInsert
			case j == m:
				cost[i][j] = cost[i+1][j] + skip(i)
			default:
				cost[i][j] = min(cost[i+1][j+1]+p.cost(&p.places[i], b, ts[j]), cost[i+1][j]+skip(i), cost[i][j+1]+costInsert)
			}
		}
	}
	if cost[0][0] > mostCost {
		return
	}
	p.take(lines, ts, line, cost, skip)
}

// enter puts a token of a line into a place.
func (p *profile) enter(pl *place, b []byte, t token, line int) {
	pl.texts[p.page.text(t.in(b))]++
	pl.at[line] = t
	if pl.kind != t.kind {
		pl.kind = tokWord
	}
}

// oneMark says that a line has a token for each place and differs in the text of one mark alone, numbers aside: even a colon
// and a stroke, which separate elsewhere, are two values of one place then.
func (p *profile) oneMark(b []byte, ts []token) bool {
	if len(ts) != len(p.places) {
		return false
	}
	others := 0
	for i, t := range ts {
		pl := &p.places[i]
		switch {
		case t.kind != pl.kind:
			return false
		case t.kind != tokMark && t.kind != tokWord || pl.texts[p.page.text(t.in(b))] > 0:
		case t.kind == tokMark && t.to-t.from == 1 && pl.narrow() && !pl.optional:
			others++
		default:
			return false
		}
	}
	return others == 1
}

// take walks the cheapest way and enters the line's tokens.
func (p *profile) take(lines [][]byte, ts []token, line int, cost [][]int, skip func(int) int) {
	b := lines[line]
	var out []place
	i, j, n, m := 0, 0, len(p.places), len(ts)
	for i < n || j < m {
		switch {
		case i < n && j+1 < m && ts[j].kind == tokNumber && ts[j+1].kind == tokNumber && cost[i][j] == cost[i][j+1]+costInsert:
			pl := p.newPlace(b, ts[j], line) // of two numbers the second is the one that others have: groups stand in front
			pl.optional = true
			out = append(out, pl)
			j++
		case i < n && j < m && cost[i][j] == cost[i+1][j+1]+p.cost(&p.places[i], b, ts[j]):
			pl := p.places[i]
			p.enter(&pl, b, ts[j], line)
			out = append(out, pl)
			i, j = i+1, j+1
		case i < n && cost[i][j] == cost[i+1][j]+skip(i):
			p.places[i].optional = true
			out = append(out, p.places[i])
			i++
		default:
			pl := p.newPlace(b, ts[j], line)
			pl.optional = true
			out = append(out, pl)
			j++
		}
	}
	p.places = out
	p.lines = append(p.lines, line)
}

// grid turns the profile into slots.
func (p *profile) grid(lines [][]byte, toks [][]token, index []int) *grid {
	g := &grid{page: p.page}
	slices.Sort(p.lines)
	for _, i := range p.lines {
		g.lines, g.index, g.toks = append(g.lines, lines[i]), append(g.index, index[i]), append(g.toks, toks[i])
	}
	for _, pl := range p.places {
		s := slot{kind: pl.kind, vals: make([]span, len(p.lines))}
		for k, i := range p.lines {
			if t, ok := pl.at[i]; ok {
				s.vals[k] = span{t.from, t.to}
			}
		}
		g.slots = append(g.slots, s)
	}
	g.joinTurns()
	g.joinTokens()
	g.splitUnits()
	g.mergeLabelled()
	g.mergeCells()
	return g
}

// joinTokens joins what belongs to one number or one text in a grid of tokens.
func (g *grid) joinTokens() {
	g.joinAll(joinRules{
		signAfter: func(l, r *slot) bool { return g.touching(l, r) && g.trailingSign(l, r) },
		groups:    func(l, r *slot) bool { return l.kind == tokNumber && r.kind == tokNumber && g.blankGroups(l, r) },
		text:      g.looseText,
	})
}

// touching says that r follows l without a blank wherever both are there.
func (g *grid) touching(l, r *slot) bool {
	for i := range l.vals {
		if !l.vals[i].empty() && !r.vals[i].empty() && l.vals[i].to != r.vals[i].from {
			return false
		}
	}
	return true
}

func (g *grid) trailingSign(l, r *slot) bool {
	if l.kind != tokNumber || r.kind != tokMark || !g.signsOnly(r) {
		return false
	}
	pluses := 0
	for i := range l.vals {
		switch string(g.value(r, i)) {
		case "-":
			return true
		case "+":
			pluses++
		}
	}
	return pluses == len(l.vals)
}

// blankGroups is groupedBy for tokens: one blank between, three digits in r wherever l is there, fewer somewhere else.
func (g *grid) blankGroups(l, r *slot) bool {
	return g.leads(l, r, trimSigns)
}

func trimSigns(b []byte) []byte {
	for len(b) > 0 && (isSign(b[0]) || b[0] == ' ') {
		b = b[1:]
	}
	return b
}

// looseText says that slot i and the next are parts of a text whose number of words varies: neither is a measure, a unit, a
// mark that separates or a known word, and one of them is missing somewhere.
func (g *grid) looseText(i int) bool {
	l, r := &g.slots[i], &g.slots[i+1]
	if !g.loose(l) || !g.loose(r) {
		return false
	}
	missing := 0
	for k := range l.vals {
		if l.vals[k].empty() != r.vals[k].empty() {
			missing++
		}
	}
	return missing > 0
}

func (g *grid) loose(s *slot) bool {
	if s.kind == tokDate || s.kind == tokTime || g.isMeasure(s) || g.unitsOnly(s) {
		return false
	}
	known, total := 0, 0
	for v, n := range g.distinct(s) {
		if v == "" {
			continue
		}
		total += n
		if separator(v[0]) {
			return false
		}
		if _, ok := tradeWord(v); ok {
			known += n
		}
	}
	return known*2 < total && (s.kind == tokWord || s.kind == tokNumber || s.kind == tokMark && g.sometimesText(s))
}

// sometimesText says that a mark stands with words on both sides, as in "RYE 12 / B".
func (g *grid) sometimesText(s *slot) bool {
	for i, v := range s.vals {
		if v.empty() {
			continue
		}
		b := g.lines[i]
		if v.from < 2 || v.to+1 >= len(b) || v.to-v.from != 1 || b[v.from] != '/' && b[v.from] != '&' && b[v.from] != '.' {
			return false
		}
	}
	return true
}
