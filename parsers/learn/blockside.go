package learn

import (
	"bytes"
	"fmt"
	"strings"
)

// side is a line of a block beside the weight's: how it begins, and what the rest is.
type side struct {
	p      *plan // holds date order, tables, doubts and questions
	parts  []part
	at     int // where the fields begin
	fields []string
	note   string
}

// explainSide finds what a line beside the weight says. used are the fields that other lines of the block have already.
func explainSide(g *grid, used map[string]bool, texts int, a *Answers) *side {
	s := &side{p: newPlan(g)}
	s.p.used, s.p.texts0 = used, texts
	at := s.prefix()
	head := g.lines[0][:at]
	s.at = at
	s.parts = literalParts(bytes.TrimRight(head, " "), -1)
	rests, gap := restsOf(g.lines, at)
	if len(rests) == 0 {
		return s
	}
	before := len(s.parts)
	if len(s.parts) > 0 && gap {
		s.parts = append(s.parts, part{blanks: 1, slot: -1})
	}
	s.classify(rests, labelOf(g.page.text(lastWord(head))), a)
	if len(s.parts) == before+1 && gap && before > 0 {
		s.parts = s.parts[:before] // nothing but a gap was added
	}
	return s
}

// prefix is the length of what all lines begin with and what announces the rest: up to the first separating mark, or a label.
func (s *side) prefix() int {
	g := s.p.g
	first := g.toks[0]
	common := 0
	for common < len(first) && g.commonToken(common) {
		common++
	}
	for i := 0; i < common && i < len(first)-1; i++ {
		if v := first[i].in(g.lines[0]); first[i].kind == tokMark && i > 0 && (v[0] == ':' || v[0] == '=' || v[0] == '.') {
			return first[i].to
		}
	}
	if common == len(first) && len(g.lines) > 0 && g.allTokens(common) {
		return s.constantPrefix(first)
	}
	end := 0
	for i := 0; i < common; i++ {
		if first[i].kind == tokDate || first[i].kind == tokTime || first[i].kind == tokNumber {
			break
		}
		end = first[i].to
		if labelOf(g.page.text(g.lines[0][:end])) != "" {
			break
		}
	}
	return end
}

// constantPrefix is how much of a line that never changes is a label: all of it, but for a name behind a label at its end.
func (s *side) constantPrefix(toks []token) int {
	b := s.p.g.lines[0]
	n := len(toks)
	for i, t := range toks {
		if i > 0 && (t.kind == tokDate || t.kind == tokTime || t.kind == tokNumber && (decimalAt(t.in(b)) > 0 || i+1 < n && unitLike(s.p.g.page.text(toks[i+1].in(b))))) {
			return toks[i-1].to
		}
	}
	if n < 2 {
		return len(b)
	}
	label := labelOf(s.p.g.page.text(toks[n-2].in(b)))
	if label != "" && idLike(string(toks[n-1].in(b))) || label == "person" && (toks[n-1].kind == tokWord || digitRun(toks[n-1].in(b)) == toks[n-1].to-toks[n-1].from) || s.p.g.behindLabel(b, toks) {
		return toks[n-2].to
	}
	return len(b)
}

// behindLabel says that the last of a line's tokens is a word or a number that a label announces: a colon stands between, or
// blanks up to a column. Whoever weighs next has another name, also where a sample shows one only.
func (g *grid) behindLabel(b []byte, toks []token) bool {
	n := len(toks)
	if n < 2 || n > 4 || toks[n-1].kind != tokWord && toks[n-1].kind != tokNumber {
		return false
	}
	if v := toks[n-2].in(b); toks[n-2].kind == tokMark {
		return v[0] == ':' || v[0] == '=' || v[0] == '.' || v[len(v)-1] == '>'
	}
	code := toks[0].in(b)
	return n == 2 && (toks[1].from-toks[0].to >= 2 || len(code) == 2 && isUpper(code[0]) && isDigit(code[1]))
}

// commonToken says that token i is the same in all lines.
func (g *grid) commonToken(i int) bool {
	for k := range g.lines {
		if i >= len(g.toks[k]) || !bytes.Equal(g.toks[k][i].in(g.lines[k]), g.toks[0][i].in(g.lines[0])) || g.toks[k][i].to != g.toks[0][i].to {
			return false
		}
	}
	return true
}

// allTokens says that every line has n tokens.
func (g *grid) allTokens(n int) bool {
	for k := range g.lines {
		if len(g.toks[k]) != n {
			return false
		}
	}
	return true
}

// restsOf gives what follows the prefix, and whether blanks come first in all lines.
func restsOf(lines [][]byte, at int) (rests [][]byte, gap bool) {
	gap, empty := true, true
	for _, b := range lines {
		r := b[min(at, len(b)):]
		gap = gap && len(r) > 0 && r[0] == ' '
		r = bytes.Trim(r, " ")
		empty = empty && len(r) == 0
		rests = append(rests, r)
	}
	if empty {
		return nil, false
	}
	return rests, gap
}

// lastWord is the label in front: the head without the marks at its end.
func lastWord(head []byte) []byte {
	head = bytes.TrimRight(head, " .:=#-")
	if at := bytes.LastIndexAny(head, ",;|"); at >= 0 {
		head = head[at+1:]
	}
	if w := bytes.TrimSpace(head); labelOf(string(w)) != "" {
		return w
	}
	if at := bytes.LastIndexByte(head, ' '); at >= 0 {
		return head[at+1:]
	}
	return head
}

func (s *side) add(field, note string) {
	s.parts = append(s.parts, part{field: field, slot: -1})
	s.fields = append(s.fields, field)
	s.note = note
}

// classify finds the field of the rests of all lines.
func (s *side) classify(rests [][]byte, label string, a *Answers) {
	page := s.p.g.page
	if s.dateAndTime(rests, a) {
		return
	}
	same := true
	for _, r := range rests {
		same = same && bytes.Equal(r, rests[0])
	}
	measure, count := restMeasures(rests, page)
	switch {
	case same && letters(page.text(rests[0])) == 0 && !hasDigit(page.text(rests[0])):
		s.parts = append(s.parts, literalParts(rests[0], -1)...)
	case count && !s.p.taken("count"):
		s.parts = append(s.parts, part{field: "count", slot: -1})
		s.fields = append(s.fields, "count")
		if toks := tokenize(rests[0]); len(toks) == 2 {
			if toks[1].from > toks[0].to {
				s.parts = append(s.parts, part{blanks: 1, slot: -1})
			}
			s.parts = append(s.parts, part{text: toks[1].in(rests[0]), slot: -1})
		}
	case measure:
		s.add("ignore", "another measured number")
	case s.table(rests, a):
	case label == "sample" || label == "person" || label == "balance":
		if s.p.taken(label) {
			label = "ignore"
		}
		s.named(label, rests, a)
	case same && len(tokenize(rests[0])) == 1 && len(s.parts) > 0:
		s.add("ignore", "a text behind a label, such as "+fmt.Sprintf("%q", page.text(rests[0])))
	case same && !hasDigit(page.text(rests[0])):
		s.parts = append(s.parts, literalParts(rests[0], -1)...)
	case label == "range" && allShort(rests) && !s.p.taken("range_number"):
		s.add("range_number", "the number of the range, by its label")
	default:
		s.named("", rests, a)
	}
}

func allShort(rests [][]byte) bool {
	for _, r := range rests {
		if len(r) != 1 {
			return false
		}
	}
	return true
}

// named makes the rest a text that a person may name.
func (s *side) named(field string, rests [][]byte, a *Answers) {
	no := s.p.texts0 + 1
	key := fmt.Sprint(no)
	s.p.texts0 = no
	longest := ""
	for _, r := range rests {
		if t := s.p.g.page.text(r); len(t) > len(longest) {
			longest = t
		}
	}
	why := "by its label"
	if said, ok := a.Texts[key]; ok && !s.p.taken(said) {
		field, why = said, "as the answers say"
	} else if field == "" {
		field, why = "ignore", "text that nothing names"
		q := Question{Key: "text:" + key, Text: fmt.Sprintf("What is %q in the blocks?", longest)}
		for _, k := range textKinds {
			q.Choices = append(q.Choices, Choice{k, k})
		}
		s.p.ask(q)
	}
	s.add(field, why+", such as "+fmt.Sprintf("%q", longest))
}

// dateAndTime sees whether the rests are a date, a time, or both with the same text between.
func (s *side) dateAndTime(rests [][]byte, a *Answers) bool {
	shape := ""
	var dates [][]byte
	for i, r := range rests {
		now := ""
		for _, t := range tokenize(r) {
			switch t.kind {
			case tokDate:
				now += "d"
				dates = append(dates, t.in(r))
			case tokTime:
				now += "t"
			default:
				now += string(t.in(r))
			}
		}
		if i > 0 && now != shape {
			return false
		}
		shape = now
	}
	left := strings.NewReplacer("d", "", "t", "", ",", "", "/", "", "T", "", ";", "", "-", "").Replace(shape)
	if left != "" || !strings.ContainsAny(shape, "dt") || strings.Count(shape, "d") > 1 || strings.Count(shape, "t") > 1 {
		return false
	}
	toks := tokenize(rests[0])
	for i, t := range toks {
		if i > 0 && t.from > toks[i-1].to {
			s.parts = append(s.parts, part{blanks: 1, slot: -1})
		}
		field := map[tokenKind]string{tokDate: "date", tokTime: "time"}[t.kind]
		switch {
		case field == "":
			s.parts = append(s.parts, part{text: t.in(rests[0]), slot: -1})
			continue
		case s.p.taken(field):
			field = "ignore"
		case field == "date":
			s.p.orderValues(dates, a)
		}
		if multiWord(t.in(rests[0])) {
			s.parts = append(s.parts, part{field: field, width: t.to - t.from, slot: -1})
			s.fields = append(s.fields, field)
			continue
		}
		s.add(field, "a "+field)
	}
	return true
}

func multiWord(b []byte) bool { return bytes.IndexByte(b, ' ') >= 0 }

// restMeasures says whether the rests are numbers with a unit of mass, or numbers of pieces.
func restMeasures(rests [][]byte, page codePage) (measure, count bool) {
	measure, count = true, true
	for _, r := range rests {
		toks := tokenize(r)
		if len(toks) == 0 || toks[0].kind != tokNumber && toks[0].kind != tokMark {
			return false, false
		}
		last := page.text(toks[len(toks)-1].in(r))
		measure = measure && (unitLike(last) || decimalAt(toks[0].in(r)) > 0)
		u, _, known := unitOf(last, &Answers{})
		count = count && len(toks) == 2 && known && u.Key() == "pieces" && digitRun(toks[0].in(r)) == toks[0].to-toks[0].from
	}
	return measure, count
}

// table sees whether the rests are usual words for the kind or the stability.
func (s *side) table(rests [][]byte, a *Answers) bool {
	field := ""
	said := map[string]string{}
	for _, r := range rests {
		v := s.p.g.page.text(r)
		m, ok := tradeWord(v)
		if w, told := a.Words[v]; told && fieldOf(w) != "" {
			m, ok = meaning{fieldOf(w), w}, true
		}
		if v == "" || !ok || field != "" && field != m.field || m.field == "range" {
			return false
		}
		field, said[v] = m.field, m.value
	}
	if field == "" || s.p.taken(field) {
		return false
	}
	for v, m := range said {
		s.p.table(field)[v] = m
	}
	s.add(field, "words of the trade")
	return true
}
