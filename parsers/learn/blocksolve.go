package learn

import (
	"fmt"
	"maps"
	"math/big"
	"slices"
)

// blockLine is one kind of line of a print block with its grid and its plan.
type blockLine struct {
	key  string
	g    *grid
	p    *plan
	side *side
}

// solveBlock explains the sample as print blocks.
func solveBlock(f *framing, shape *blockShape, s Sample, a *Answers, page codePage) (*solution, *refusal) {
	c := newContext(f, a)
	var all [][]byte
	for _, l := range shape.lines {
		all = append(all, l.body)
	}
	c.comma = commaSpeaks(all, page)
	var lines []*blockLine
	for _, k := range shape.keys {
		bodies, index := shape.of(k)
		lines = append(lines, &blockLine{key: k, g: blockGrid(bodies, index, page)})
	}
	main, no := chooseLine(lines, a, c)
	if no != nil {
		return nil, no
	}
	if no := explainBlock(lines, main, a, c); no != nil {
		return nil, no
	}
	shape.shorten(lines)
	way := *f
	way.first, way.last, way.blankLines = nil, nil, 0
	if shape.first != "" {
		way.first = []string{shape.first}
	}
	if shape.last != "" && !(shape.blanks > 0 && shape.optional[shape.keys[len(shape.keys)-1]]) {
		way.last = []string{shape.last}
	} else {
		way.blankLines = shape.blanks
	}
	if !way.cutSample(s) {
		return nil, &refusal{why: "the blocks of the sample have no end that could be told"}
	}
	sol := assembleBlock(&way, lines, main, shape, page)
	if sol == nil || !sol.apply(s) {
		return nil, &refusal{why: "the blocks of the sample do not fit one layout"}
	}
	return sol, nil
}

// blockGrid lays the lines of one kind beside each other.
func blockGrid(bodies [][]byte, index []int, page codePage) *grid {
	if len(bodies) > mostCore {
		bodies, index = bodies[:mostCore], index[:mostCore]
	}
	toks := make([][]token, len(bodies))
	for i, b := range bodies {
		toks[i] = tokenize(b)
	}
	if g := columnGrid(bodies, index, toks, page); g != nil && g.padded() && len(g.lines) == len(bodies) {
		return g
	}
	p := &profile{page: page}
	p.seed(bodies, toks, 0)
	for i := range bodies[1:] {
		p.add(bodies, toks, i+1)
	}
	return p.grid(bodies, toks, index)
}

// chooseLine finds the line that holds the weight.
func chooseLine(lines []*blockLine, a *Answers, c *context) (*blockLine, *refusal) {
	var found []*blockLine
	var kinds []string
	for _, l := range lines {
		p := newPlan(l.g)
		if no := p.chooseWeight(&Answers{Words: a.Words}, &context{}); no != nil || !p.isMass(p.unitSlot(p.weight), a) {
			continue
		}
		found, kinds = append(found, l), append(kinds, p.kindBeside(p.weight))
	}
	if shown := shownLines(found, c); len(shown) == 1 {
		return shown[0], nil
	}
	if a.Number > 0 && a.Number <= len(found) {
		return found[a.Number-1], nil
	}
	switch len(found) {
	case 0:
		return chooseBare(lines, a)
	case 1:
		return found[0], nil
	}
	for _, kind := range []string{"net", "gross"} {
		at := slices.Index(kinds, kind)
		others := slices.IndexFunc(kinds, func(k string) bool { return k == "" }) >= 0 && kind != "net"
		if at >= 0 && !others && !slices.Contains(kinds[at+1:], kind) {
			return found[at], nil
		}
	}
	if net := netByArithmetic(found); net != nil {
		return net, nil
	}
	q := Question{Key: "number", Text: "Which weight of the block is to be recorded?"}
	for i, l := range found {
		q.Choices = append(q.Choices, Choice{fmt.Sprint(i + 1), l.g.page.harmless(l.g.lines[len(l.g.lines)-1])})
	}
	return nil, &refusal{why: fmt.Sprintf("each block holds %d weights, and nothing in the bytes says which is to be recorded: say what the display showed, or which of them it is", len(found)),
		questions: []Question{q}}
}

// chooseBare takes the one line with a number, where no line has a unit.
func chooseBare(lines []*blockLine, a *Answers) (*blockLine, *refusal) {
	var found []*blockLine
	for _, l := range lines {
		for i := range l.g.slots {
			if s := &l.g.slots[i]; s.kind == tokNumber && hasDecimals(l.g.values(s)) {
				found = append(found, l)
				break
			}
		}
	}
	if len(found) == 1 {
		return found[0], nil
	}
	return nil, &refusal{why: "no line of the blocks holds a weight with a unit that is known"}
}

// shownLines are the lines that show what the displays showed.
func shownLines(lines []*blockLine, c *context) (found []*blockLine) {
	if len(c.display)+len(c.anyShow) == 0 {
		return nil
	}
	for _, l := range lines {
		p := newPlan(l.g)
		var numbers []int
		for i := range l.g.slots {
			if l.g.slots[i].kind == tokNumber {
				numbers = append(numbers, i)
			}
		}
		if which, said := p.byDisplay(numbers, c); said && len(which) > 0 {
			found = append(found, l)
		}
	}
	return found
}

// netByArithmetic finds the net weight of blocks with three weights, one of which is the sum of the others. Of those two the
// tare is the one that changes less often.
func netByArithmetic(found []*blockLine) *blockLine {
	if len(found) != 3 {
		return nil
	}
	values := make([]map[int]*big.Rat, 3)
	for i, l := range found {
		values[i] = map[int]*big.Rat{}
		p := newPlan(l.g)
		if p.chooseWeight(&Answers{}, &context{}) != nil {
			return nil
		}
		ways := styles(l.g.values(&l.g.slots[p.weight]), false)
		if len(ways) == 0 {
			return nil
		}
		for k, n := range l.g.index {
			if d, ok := ways[0].read(l.g.value(&l.g.slots[p.weight], k)); ok {
				values[i][n] = d.Rat()
			}
		}
	}
	for k := range 3 {
		x, y := (k+1)%3, (k+2)%3
		if !sums(values[k], values[x], values[y]) {
			continue
		}
		cx, cy := changes(values[x]), changes(values[y])
		switch {
		case cx*2 < cy:
			return found[y]
		case cy*2 < cx:
			return found[x]
		}
	}
	return nil
}

func sums(total, x, y map[int]*big.Rat) bool {
	n, real := 0, 0
	for k, t := range total {
		if x[k] == nil || y[k] == nil {
			continue
		}
		if new(big.Rat).Add(x[k], y[k]).Cmp(t) != 0 {
			return false
		}
		n++
		if x[k].Sign() != 0 && y[k].Sign() != 0 {
			real++
		}
	}
	return n >= FewFrames && real >= 2
}

func changes(values map[int]*big.Rat) (n int) {
	seen := map[string]bool{}
	for _, v := range values {
		seen[v.RatString()] = true
	}
	return len(seen)
}

func newPlan(g *grid) *plan {
	return &plan{g: g, roles: make([]role, len(g.slots)), weight: -1, unit: -1,
		kinds: map[string]string{}, stability: map[string]string{}, ranges: map[string]string{}, unitWords: map[string]string{}}
}

// explainBlock makes a plan of each line: the weight's first, then the others, which may use what it leaves.
func explainBlock(lines []*blockLine, main *blockLine, a *Answers, c *context) *refusal {
	p := newPlan(main.g)
	p.block = true
	p, no := explainPlan(p, a, c)
	if no != nil {
		return no
	}
	main.p = p
	used := map[string]bool{}
	note := func(p *plan) {
		for _, r := range p.roles {
			used[r.field] = true
		}
	}
	note(p)
	texts := 0
	for _, r := range p.roles {
		texts = max(texts, r.textNo)
	}
	for _, l := range lines {
		if l == main {
			continue
		}
		l.side = explainSide(l.g, used, texts, a)
		l.p = l.side.p
		texts = l.p.texts0
		for _, f := range l.side.fields {
			used[f] = true
		}
	}
	return nil
}

// assembleBlock makes the layout's source.
func assembleBlock(f *framing, lines []*blockLine, main *blockLine, shape *blockShape, page codePage) *solution {
	sol := assemble(f, main.p, nil, page)
	if sol == nil {
		return nil
	}
	sol.src.block, sol.src.length, sol.src.lines = true, 0, nil
	for _, l := range lines {
		src := lineSource{optional: shape.optional[l.key]}
		if l == main {
			src.parts, src.notes = l.p.template(nil), l.p.notes()
		} else {
			src.parts = l.side.parts
			for _, f := range l.side.fields {
				src.notes = append(src.notes, fmt.Sprintf("{%s} %s", f, printable(l.side.note)))
			}
			maps.Copy(sol.src.kinds, l.p.kinds)
			maps.Copy(sol.src.stables, l.p.stability)
			if l.p.date.order != "" {
				sol.src.date = l.p.date
			}
			sol.plans = append(sol.plans, l.p)
		}
		sol.src.lines = append(sol.src.lines, src)
	}
	return sol
}
