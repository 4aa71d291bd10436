package learn

import (
	"bytes"
	"cmp"
	"slices"
	"strings"
)

// rawLine is a line of the sample, blank ones too.
type rawLine struct {
	body []byte
	key  string // how it begins; "" for a blank line
	at   int    // where it begins in the sample
}

// rawLines cuts the sample at the line ends of a framing.
func rawLines(b []byte, ends []string, page codePage, long bool) (all []rawLine) {
	from := 0
	for i := 0; i < len(b) && len(all) < MostFrames; {
		n := 0
		for _, e := range ends {
			if len(e) > n && bytes.HasPrefix(b[i:], []byte(e)) {
				n = len(e)
			}
		}
		if n == 0 {
			i++
			continue
		}
		l := newRawLine(b[from:i], page, long)
		l.at = from
		all = append(all, l)
		i += n
		from = i
	}
	return all
}

// newRawLine finds how a line begins: by its first token, or by the first two where one alone would not tell lines apart.
func newRawLine(body []byte, page codePage, long bool) rawLine {
	r := rawLine{body: body}
	if toks := tokenize(body); len(toks) > 0 {
		r.key = page.text(toks[0].in(body))
		if len(toks) > 1 && (toks[0].kind == tokNumber && toks[1].kind == tokMark || toks[0].kind == tokMark || long && (toks[1].kind == tokMark || toks[1].kind == tokWord && !hasDigit(string(toks[1].in(body))))) {
			r.key += " " + page.text(toks[1].in(body))
		}
	}
	return r
}

// blockShape is the order of lines that print blocks share.
type blockShape struct {
	lines    []rawLine
	starts   []int // the number of each block's first line
	ends     []int // the number after its last line that is not blank
	keys     []string
	first    string
	last     string
	blanks   int  // blank lines that end each block, 0 where a last line does
	inside   bool // blank lines stand inside of blocks too
	optional map[string]bool
}

// findBlocks finds the order of lines that return, or nil.
func findBlocks(b []byte, f *framing, page codePage) *blockShape {
	if len(f.ends) == 0 || f.start != "" || f.length > 0 || f.gap {
		return nil
	}
	for _, long := range []bool{false, true} {
		s := &blockShape{lines: rawLines(b, f.ends, page, long)}
		if !s.cutBest() {
			continue
		}
		if len(s.starts) < FewFrames || !s.order() {
			continue
		}
		if s.marks(); s.last != "" || s.blanks > 0 {
			return s
		}
	}
	return nil
}

// cutBest cuts at blank lines or at lines that return, whichever gives blocks that begin and end most alike.
func (s *blockShape) cutBest() bool {
	best, found := 0, false
	var starts, ends []int
	blanks, inside := 0, false
	keep := func(bonus int) {
		if score := s.alike() + bonus; score > best {
			best, found, starts, ends, blanks, inside = score, true, s.starts, s.ends, s.blanks, s.inside
		}
	}
	if s.cutAtBlanks() {
		keep(2)
	}
	s.blanks, s.inside = 0, false
	for _, key := range s.commonKeys() {
		s.cut(func(i int) bool { return s.lines[i].key == key })
		if s.steady() {
			keep(0)
		}
		s.cut(func(i int) bool { return s.previous(i) < 0 || s.lines[s.previous(i)].key == key })
		if s.steady() {
			keep(0)
		}
	}
	s.starts, s.ends, s.blanks, s.inside = starts, ends, blanks, inside
	return found
}

// previous is the number of the last line before i that is not blank, or -1.
func (s *blockShape) previous(i int) int {
	for i--; i >= 0 && s.lines[i].key == ""; i-- {
	}
	return i
}

// alike counts the blocks that begin as most do, and twice those that end so: their end has to be told while it is received.
func (s *blockShape) alike() int {
	firsts, lasts, f, l := map[string]int{}, map[string]int{}, 0, 0
	for i := range s.starts {
		b := s.block(i)
		firsts[b[0].key]++
		lasts[b[len(b)-1].key]++
		f, l = max(f, firsts[b[0].key]), max(l, lasts[b[len(b)-1].key])
	}
	outside := 0
	for _, l := range s.lines[:s.starts[0]] {
		if l.key != "" {
			outside++
		}
	}
	return 20*(f+2*l)/len(s.starts) + min(9, len(s.starts)) - 5*outside - 10*s.torn()
}

// torn counts the blocks that lack a line that all others have, or all but one in twenty.
func (s *blockShape) torn() (n int) {
	counts := map[string]int{}
	for i := range s.starts {
		for _, l := range s.block(i) {
			counts[l.key]++
		}
	}
	for i := range s.starts {
		have := map[string]bool{}
		for _, l := range s.block(i) {
			have[l.key] = true
		}
		for k, c := range counts {
			if c >= len(s.starts)-max(1, len(s.starts)/20) && !have[k] {
				n++
				break
			}
		}
	}
	return n
}

// cutAtBlanks cuts into blocks at runs of blank lines, where every run longer than those inside of blocks ends one.
func (s *blockShape) cutAtBlanks() bool {
	most, runs := 0, map[int]int{}
	run := 0
	for _, l := range s.lines {
		if l.key == "" {
			run++
			continue
		}
		if run > 0 {
			runs[run]++
			most = max(most, run)
		}
		run = 0
	}
	if most == 0 {
		return false
	}
	most = max(most, run)
	s.cut(func(i int) bool {
		n := 0
		for k := i - 1; k >= 0 && s.lines[k].key == ""; k-- {
			n++
		}
		return n >= most || i-n == 0
	})
	if s.steady() {
		s.blanks = most
		s.inside = len(runs) > 1
		return true
	}
	return false
}

// cut begins a block at each line for which begins says so.
func (s *blockShape) cut(begins func(i int) bool) {
	s.starts, s.ends = nil, nil
	for i, l := range s.lines {
		if l.key == "" {
			continue
		}
		if begins(i) {
			s.starts, s.ends = append(s.starts, i), append(s.ends, i+1)
		} else if len(s.ends) > 0 {
			s.ends[len(s.ends)-1] = i + 1
		}
	}
}

// commonKeys are the kinds of lines that return about as often as the most common, in the order of print, eight at most.
func (s *blockShape) commonKeys() (keys []string) {
	counts, most := map[string]int{}, 0
	for _, l := range s.lines {
		if l.key != "" {
			counts[l.key]++
			most = max(most, counts[l.key])
		}
	}
	for _, l := range s.lines {
		if l.key != "" && !slices.Contains(keys, l.key) && counts[l.key]*10 >= most*9-10 && counts[l.key] >= FewFrames && len(keys) < 8 {
			keys = append(keys, l.key)
		}
	}
	return keys
}

// steady says that the blocks have two lines or more, no kind of line twice, and mostly the same lines.
func (s *blockShape) steady() bool {
	if len(s.starts) < FewFrames {
		return false
	}
	counts, long, twice := map[string]int{}, 0, 0
	for n := range s.starts {
		seen := map[string]bool{}
		for _, l := range s.block(n) {
			if seen[l.key] {
				twice++
			}
			seen[l.key] = true
		}
		for k := range seen {
			counts[k]++
		}
		if len(seen) > 1 {
			long++
		}
	}
	common := 0
	for _, n := range counts {
		if n*10 >= len(s.starts)*8 {
			common++
		}
	}
	return common >= 2 && long*10 >= len(s.starts)*8 && twice*10 <= len(s.starts)*2
}

// block gives the lines of a block that are not blank.
func (s *blockShape) block(n int) (lines []rawLine) {
	for _, l := range s.lines[s.starts[n]:s.ends[n]] {
		if l.key != "" {
			lines = append(lines, l)
		}
	}
	return lines
}

// order finds the kinds of lines in the order of print, and which may be missing. Kinds that one block in five or fewer has
// are noise.
func (s *blockShape) order() bool {
	counts, place := map[string]int{}, map[string]int{}
	var keys []string
	for n := range s.starts {
		for i, l := range s.block(n) {
			if counts[l.key] == 0 {
				keys = append(keys, l.key)
			}
			counts[l.key]++
			place[l.key] = max(place[l.key], i)
		}
	}
	keys = slices.DeleteFunc(keys, func(k string) bool { return counts[k] < 2 && len(s.starts) > 2 || counts[k]*8 < len(s.starts) })
	slices.SortStableFunc(keys, func(a, b string) int { return s.before(a, b) })
	s.keys, s.optional = keys, map[string]bool{}
	for _, k := range keys {
		s.optional[k] = counts[k] < len(s.starts) && counts[k]*20 < len(s.starts)*19
	}
	return len(keys) >= 2 && len(keys) <= 40
}

// before compares two kinds of lines by the blocks that have both, or by their mean place.
func (s *blockShape) before(a, b string) int {
	votes, pa, pb, na, nb := 0, 0, 0, 0, 0
	for n := range s.starts {
		ia, ib := -1, -1
		for i, l := range s.block(n) {
			switch l.key {
			case a:
				ia = i
			case b:
				ib = i
			}
		}
		switch {
		case ia >= 0 && ib >= 0:
			votes += cmp.Compare(ia, ib)
		}
		if ia >= 0 {
			pa, na = pa+ia, na+1
		}
		if ib >= 0 {
			pb, nb = pb+ib, nb+1
		}
	}
	if votes != 0 || na == 0 || nb == 0 {
		return votes
	}
	return pa*nb - pb*na
}

// of are the lines of one kind, and the numbers of their blocks.
func (s *blockShape) of(key string) (lines [][]byte, index []int) {
	for n := range s.starts {
		for _, l := range s.block(n) {
			if l.key == key {
				lines, index = append(lines, l.body), append(index, n)
				break
			}
		}
	}
	return lines, index
}

// marks finds how the first and the last line of each block begin.
func (s *blockShape) marks() {
	firstKey, lastKey := s.keys[0], s.keys[len(s.keys)-1]
	sameFirst, sameLast := 0, 0
	for n := range s.starts {
		b := s.block(n)
		if b[0].key == firstKey {
			sameFirst++
		}
		if b[len(b)-1].key == lastKey {
			sameLast++
		}
	}
	if sameFirst == len(s.starts) {
		s.first = s.prefix(firstKey)
	}
	if sameLast*10 >= len(s.starts)*9 {
		s.last = s.prefix(lastKey)
	}
}

// prefix is how all lines of a kind begin: their first tokens, as far as they are the same words and marks. It is "" where a
// line of another kind begins so too.
func (s *blockShape) prefix(key string) string {
	lines, _ := s.of(key)
	common := lines[0]
	for _, b := range lines {
		n := 0
		for n < len(common) && n < len(b) && common[n] == b[n] {
			n++
		}
		common = common[:n]
	}
	end := 0
	for i, t := range tokenize(lines[0]) {
		if v := t.in(lines[0]); i > 0 && len(v) == 1 && isSign(v[0]) {
			break // of a weight behind it
		}
		if t.to > len(common) || t.kind == tokDate || t.kind == tokTime || t.kind == tokNumber && i > 0 || t.kind == tokWord && i > 0 && hasDigit(string(t.in(lines[0]))) {
			break
		}
		// A word that only goes as far as the common part in this line may be longer in another.
		if t.to == len(common) && slices.ContainsFunc(lines, func(b []byte) bool { return len(b) > t.to && (isLetter(b[t.to]) || isDigit(b[t.to])) }) {
			break
		}
		end = t.to
	}
	prefix := strings.TrimRight(string(lines[0][:end]), " ")
	if prefix == "" || strings.TrimSpace(prefix) == "" || !s.alone(prefix, key) {
		return ""
	}
	return prefix
}

// alone says that no line of another kind begins with a prefix.
func (s *blockShape) alone(prefix, key string) bool {
	for _, l := range s.lines {
		if l.key != key && l.key != "" && bytes.HasPrefix(l.body, []byte(prefix)) {
			return false
		}
	}
	return true
}

// shorten keeps what is a field of the first and the last line out of their marks: another person begins a block too.
func (s *blockShape) shorten(lines []*blockLine) {
	for _, l := range lines {
		if l.side == nil || len(l.side.fields) == 0 {
			continue
		}
		head := strings.TrimRight(string(l.g.lines[0][:l.side.at]), " ")
		for _, mark := range []*string{&s.first, &s.last} {
			if len(head) > 0 && len(head) < len(*mark) && strings.HasPrefix(*mark, head) && s.alone(head, l.key) {
				*mark = head
			}
		}
	}
}
