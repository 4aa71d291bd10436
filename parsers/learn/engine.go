package learn

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
)

// learn is the way from bytes to candidates: each way to cut the sample into frames is explained, and the explanation that
// reads most wins.
func learn(s Sample, a Answers, r *Result) (*Result, error) {
	var best *solution
	var no *refusal
	ways := framings(s)
	if parityAmong(s.Bytes) {
		return unsolved(r, s, ways, &refusal{why: "among the digits stand bytes that are digits but for their eighth bit: the balance sends seven data bits " +
			"with a parity; set that at the port and take the sample again"}), nil
	}
	for i := range ways {
		if i >= 6 {
			break
		}
		sol, why := solveBest(&ways[i], s, &a)
		if sol == nil {
			if no == nil || why != nil && len(no.questions) == 0 && len(why.questions) > 0 {
				no = why
			}
			continue
		}
		if best == nil || sol.better(best) {
			best = sol
		}
	}
	if best != nil && (2*len(best.read) < len(best.cuts) || best.faults()*10 > 3*len(best.cuts)) {
		best, no = nil, &refusal{why: "the lines of the sample have no common shape that most of them fit"}
	}
	if best != nil && best.openBrackets() {
		best, no = nil, &refusal{why: "some lines have a bracket or a minus by itself and others have not: it may be how this balance writes what is below zero, which no layout can say"}
	}
	if best != nil && best.hexGrown() {
		best, no = nil, &refusal{why: "letters from A to F grow out of the digits in some lines: the last digits may be a check and no part of the weight; say what the display showed"}
	}
	if best != nil && best.grownUnit() {
		best, no = nil, &refusal{why: "the letter before the unit changes: it may be a mark, and the unit a shorter one; say what the display showed"}
	}
	if best == nil || len(best.read) == 0 {
		return unsolved(r, s, ways, no), nil
	}
	if err := best.contradicts(&a); err != nil {
		return nil, err
	}
	best.report(r, s)
	return r, nil
}

// parityAmong says that two different bytes or more, beside digits or a point, are digits themselves without their eighth bit. No
// weight can be read from these.
func parityAmong(b []byte) bool {
	seen := map[byte]bool{}
	near := func(i int) bool { return i >= 0 && i < len(b) && (isDigit(b[i]) || b[i] == '.' || b[i] == ',') }
	for i, c := range b {
		if c >= 0x80 && isDigit(c&0x7F) && (near(i-1) || near(i+1)) {
			seen[c] = true
		}
	}
	return len(seen) > 2
}

// unsolved fills the result where nothing could be said without guessing.
func unsolved(r *Result, s Sample, ways []framing, no *refusal) *Result {
	r.Why = "no explanation of these bytes was found: they hold no lines that repeat; look at the speed and the parity of the port"
	if len(ways) == 0 && readable(s.Bytes) {
		r.Why = "the text is readable, and nothing in it says where a line ends: no line ends, no start and end characters; " +
			"where the balance pauses between its prints, learn from the port itself, which sees the pauses that a file has lost"
	}
	if no != nil {
		r.Why, r.Questions = no.why, no.questions
	}
	if len(ways) > 0 {
		for _, c := range ways[0].frames {
			f := Frame{Number: len(r.Frames) + 1, Offset: c.offset, Bytes: c.bytes, Text: codePages[0].harmless(c.bytes), Opening: c.opening, Why: c.fault}
			if f.Why == "" {
				f.Why = "there is no layout yet"
			}
			r.Frames = append(r.Frames, f)
		}
	}
	return r
}

// readable says that nearly all bytes are printable ASCII.
func readable(b []byte) bool {
	n := 0
	for _, c := range b {
		if c >= ' ' && c < 0x7F {
			n++
		}
	}
	return n*20 >= len(b)*19
}

// contexts of a sample.
func newContext(f *framing, a *Answers) *context {
	c := &context{frames: f.frames, display: map[int]shown{}}
	for _, d := range a.Display {
		want, _ := parseShown(d.Shows)
		if d.Line > 0 {
			c.display[d.Line-1] = want
		} else {
			c.anyShow = append(c.anyShow, want)
		}
	}
	return c
}

// bodies are the parts of sound frames that a template describes, and the numbers of those frames.
func bodies(f *framing, check *checkFound) (lines [][]byte, index []int) {
	for i, c := range f.frames {
		if c.fault == "" && len(bytes.TrimSpace(c.body)) > 0 {
			lines, index = append(lines, check.strip(c.body)), append(index, i)
		}
	}
	return lines, index
}

// solveBest explains one way to cut the sample as print blocks where its lines come in turns, and else as single lines.
func solveBest(f *framing, s Sample, a *Answers) (*solution, *refusal) {
	var blockNo *refusal
	lines, _ := bodies(f, nil)
	page, _ := choosePage(lines)
	if shape := findBlocks(s.Bytes, f, page); shape != nil {
		sol, no := solveBlock(f, shape, s, a, page)
		if sol != nil && 2*len(sol.read) >= len(shape.starts) {
			if single := singlePrints(f, shape, s, a); single != nil {
				single.other, single.differs = sol, shape.asOne(page)
				return single, nil
			}
			return sol, nil
		}
		blockNo = no
	}
	sol, no := solve(f, s, a)
	if blockNo == nil && grouped(s.Bytes, f) {
		blockNo = &refusal{why: "the lines come in groups between blank lines, and the groups do not fit one layout"}
	}
	if blockNo != nil {
		if sol == nil || 10*len(sol.read) < 9*len(sol.cuts) {
			return nil, blockNo
		}
	}
	return sol, no
}

// grouped says that blank lines stand between groups of two lines and more.
func grouped(b []byte, f *framing) bool {
	if len(f.ends) == 0 || f.start != "" {
		return false
	}
	groups, long, n := 0, 0, 0
	for _, l := range append(rawLines(b, f.ends, codePages[1], false), rawLine{}) {
		if l.key != "" {
			n++
			continue
		}
		if n > 0 {
			groups++
		}
		if n > 1 {
			long++
		}
		n = 0
	}
	return groups >= FewFrames && long*3 >= groups*2
}

// solve explains one way to cut the sample.
func solve(f *framing, s Sample, a *Answers) (*solution, *refusal) {
	check := findCheck(f, a)
	lines, index := bodies(f, check)
	if len(lines) < FewFrames {
		return nil, &refusal{why: fmt.Sprintf("at least %d whole lines are needed, and the sample holds %d: let the balance print a few more", FewFrames, len(lines))}
	}
	page, sure := choosePage(lines)
	all := index
	lines, index = withoutMessages(lines, index, page)
	c := newContext(f, a)
	c.comma = commaSpeaks(lines, page)
	toks := make([][]token, len(lines))
	for i, b := range lines {
		toks[i] = tokenize(b)
	}
	if commasSeparate(lines, toks) {
		for i := range toks {
			toks[i] = splitCommas(lines[i], toks[i])
		}
	}
	var best *solution
	var no *refusal
	for _, core := range cores(lines, toks, page) {
		for _, fixed := range []bool{true, false} {
			g := buildGrid(fixed, core, lines, index, toks, page)
			if g == nil || fixed && !g.padded() {
				continue
			}
			if check != nil && check.suffix > 0 {
				b := f.frames[g.index[0]].body
				g.suffix = b[len(b)-check.suffix:]
			}
			p, refused := explainGrid(g, a, c)
			if refused != nil {
				if no == nil || len(no.questions) == 0 {
					no = refused
				}
				continue
			}
			if p.emptyTable() {
				continue
			}
			if !sure {
				p.doubt("", "letters beyond ASCII may belong to another code page than %s", page.name)
			}
			sol := assemble(f, p, check, page)
			if sol == nil || !sol.apply(s) {
				continue
			}
			sol = sol.adopt(f, lines, index, toks, s, a, c)
			sol = sol.extend(s, a)
			sol.messages = sol.readAmong(all, index)
			if best == nil || sol.better(best) {
				best = sol
			}
		}
	}
	if best == nil && no == nil {
		no = &refusal{why: "the lines of the sample have no common shape"}
	}
	return best, no
}

// readAmong counts the frames that are read although they were left out as messages.
func (s *solution) readAmong(all, kept []int) (n int) {
	for _, i := range all {
		if _, read := s.read[i]; read && !slices.Contains(kept, i) {
			n++
		}
	}
	return n
}

// withoutMessages leaves out lines that begin with a usual word of messages, if enough others are left.
func withoutMessages(lines [][]byte, index []int, page codePage) (l [][]byte, n []int) {
	for i, b := range lines {
		toks := tokenize(b)
		if len(toks) > 0 && toks[0].kind == tokWord && messageWords[strings.ToLower(page.text(toks[0].in(b)))] {
			continue
		}
		l, n = append(l, b), append(n, index[i])
	}
	if len(l) < FewFrames || len(l)*2 < len(lines) {
		return lines, index
	}
	return l, n
}

// padded says that the sample shows fields of fixed width: the digits of the main number end in one column and begin in
// several, or blanks or zeros fill the room before them.
func (g *grid) padded() bool {
	for i := range g.slots {
		s := &g.slots[i]
		if s.kind != tokNumber || !(s.a < g.anchor && g.anchor <= s.b) {
			continue
		}
		prev := 0
		if i > 0 {
			prev = g.slots[i-1].b
		}
		if s.a-prev >= 2 && (i == 0 || g.steadyWidth(&g.slots[i-1])) || i == 0 && s.a >= 1 || s.detached && g.roomy(s) {
			return true
		}
		for k := range s.vals {
			v := trimSigns(g.value(s, k))
			if s.vals[k].from != s.vals[0].from || len(v) > 2 && v[0] == '0' && isDigit(v[1]) {
				return true
			}
		}
	}
	return false
}

// steadyWidth says that the blanks behind a slot are not its own: it has several values, all as long, and
// they are no names.
func (g *grid) steadyWidth(s *slot) bool {
	for i := range s.vals {
		if s.vals[i].to != s.b || s.vals[i].from != s.a {
			return false
		}
	}
	return len(g.distinct(s)) > 1 && s.kind != tokNumber && !(s.kind == tokWord && hasDigit(g.text(s, 0)))
}

// roomy says that more than one blank stands between a sign and its digits somewhere, or sometimes none.
func (g *grid) roomy(s *slot) bool {
	for i := range s.vals {
		v := g.value(s, i)
		if len(v) > 0 && isSign(v[0]) && (len(v) < 3 || v[1] != ' ' || v[2] == ' ') {
			return true
		}
	}
	return false
}

// commaSpeaks says that commas are decimal signs somewhere in the sample, or that its words are of a language that writes them.
func commaSpeaks(lines [][]byte, page codePage) bool {
	foreign, english := false, false
	for _, b := range lines {
		for _, t := range tokenize(b) {
			v := t.in(b)
			switch t.kind {
			case tokNumber:
				w := bytes.TrimRight(trimSigns(v), "+-")
				at := bytes.IndexByte(w, ',')
				if at >= 0 && bytes.IndexByte(w, '.') < at && bytes.Count(w, []byte(",")) == 1 &&
					(len(w)-at-1 != 3 || at > 3 || at > 0 && w[0] == '0') {
					return true
				}
			case tokWord:
				if _, ok := tradeWord(page.text(v)); ok {
					if pointLanguage(page.text(v)) {
						english = true
					} else if len(v) > 3 {
						foreign = true
					}
				}
			}
		}
	}
	return foreign && !english
}
