package learn

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// rangeWord is what a text that stands in place of a weight says of the range: over, under, or "" where that is not known.
func rangeWord(text string, a *Answers) string {
	if m := a.Words[text]; m == "over" || m == "under" {
		return m
	} else if m != "" {
		return ""
	}
	m, ok := tradeWord(text)
	if !ok {
		m, ok = rangeMarks[text]
	}
	if n := len(text); !ok && n > 2 && (text == strings.Repeat("H", n) || text == strings.Repeat("L", n)) {
		m, ok = rangeMarks[text[:2]] // a whole row of what HH and LL mean
	}
	if ok && m.field == "range" {
		return m.value
	}
	return ""
}

// rangeMarks are short forms that mean the range where they stand in place of the digits, and nowhere else.
var rangeMarks = map[string]meaning{
	"H": {"range", "over"}, "L": {"range", "under"}, "HI": {"range", "over"}, "LO": {"range", "under"}, "Hi": {"range", "over"}, "Lo": {"range", "under"},
	"HH": {"range", "over"}, "LL": {"range", "under"}, "high": {"range", "over"}, "low": {"range", "under"}, "HIGH": {"range", "over"}, "LOW": {"range", "under"},
}

// mostExtensions bounds the different frames that extend tries to find a place for.
const mostExtensions = 12

// extend finds a place for frames that the plan leaves unread because a word stands in place of the weight.
func (s *solution) extend(sample Sample, a *Answers) *solution {
	tried := map[string]bool{}
	for n, c := range s.cuts {
		if _, read := s.read[n]; read || c.fault != "" {
			continue
		}
		body := s.src.check.strip(c.body)
		if s.src.block || tried[string(body)] || len(tried) >= mostExtensions || len(body) > 200 {
			continue
		}
		tried[string(body)] = true
		if next := s.place(n, body, sample, a); next != nil {
			s = next
		}
	}
	return s
}

// place tries each run of words of a line as a word for the range.
func (s *solution) place(n int, body []byte, sample Sample, a *Answers) *solution {
	toks := tokenize(body)
	for _, t := range toks {
		if messageWords[strings.ToLower(s.src.page.text(t.in(body)))] {
			return nil
		}
	}
	for from := range toks {
		for to := len(toks); to > from; to-- {
			text := s.src.page.text(body[toks[from].from:toks[to-1].to])
			state := rangeWord(text, a)
			if state == "" && to == from+1 {
				text, state = withoutUnit(text, a)
			}
			if state == "" {
				continue
			}
			ways := []func(string, string, bool) *source{s.markedSource, s.spanSource}
			if from == 0 && to == len(toks) {
				ways = []func(string, string, bool) *source{s.lineSource, s.markedSource, s.spanSource}
			}
			whole := from == 0 && to == len(toks)
			for _, try := range ways {
				if next := s.attempt(try(text, state, whole), n, sample); next != nil {
					return next
				}
			}
			if next := s.withMark(n, body, toks, from, to, text, state, sample); next != nil {
				return next
			}
		}
	}
	if len(toks) > 0 && len(toks) <= 3 && !slices.ContainsFunc(toks, func(t token) bool { return t.kind == tokNumber }) {
		s.askRange(n, body)
	}
	return nil
}

// withMark tries a line that has another mark beside its word for the range than all others have: a load that is too much
// may move, and no line of the sample shows what moves and is not.
func (s *solution) withMark(n int, body []byte, toks []token, from, to int, text, state string, sample Sample) *solution {
	if len(s.src.lines) != 1 || len(toks) > 10 {
		return nil
	}
	for i, t := range toks {
		v := s.src.page.text(t.in(body))
		if i >= from && i < to || t.kind != tokWord && t.kind != tokMark || unitLike(v) || minusWords[strings.ToLower(v)] || strings.ContainsAny(v, "+-()") && len(v) == 1 {
			continue
		}
		for _, src := range s.otherMarks(v) {
			next := &solution{src: src, plans: s.plans}
			for _, try := range []func(string, string, bool) *source{next.markedSource, next.spanSource} {
				if found := s.attempt(try(text, state, false), n, sample); found != nil {
					return found
				}
			}
		}
	}
	return nil
}

// otherMarks are the sources in which a word or mark has a place: in a table that is there, or in one that takes the place of
// text that never changed.
func (s *solution) otherMarks(v string) (all []*source) {
	line := s.src.lines[0].parts
	for k, x := range line {
		src := s.src.copy()
		src.lines[0].parts = slices.Clone(line)
		table := map[string]*map[string]string{"stability": &src.stables, "kind": &src.kinds}[x.field]
		switch {
		case table != nil && (x.width == 0 || len(v) <= x.width) && (*table)[v] == "":
			*table = maps.Clone(*table)
			(*table)[v] = meaningIn(x.field, v)
		case x.text != nil && x.slot >= 0 && len(s.src.stables) == 0 && !s.src.missing && wordLike(x.text, v):
			old := s.src.page.text(x.text)
			src.lines[0].parts[k] = part{field: "stability", slot: x.slot}
			if s.src.length > 0 || k+1 < len(line) && line[k+1].width > 0 {
				src.lines[0].parts[k].width = len(x.text)
			}
			src.stables = map[string]string{old: meaningIn("stability", old), v: meaningIn("stability", v)}
		default:
			continue
		}
		all = append(all, src)
	}
	return all
}

// wordLike says that a text of a template can be a value of one place together with v: a word or a mark, no longer than it
// by far, and no separator.
func wordLike(text []byte, v string) bool {
	return string(text) != v && (len(text) == len(v) || letters(string(text)) > 1 && letters(v) > 1) && !separator(text[0]) && !isDigit(text[len(text)-1])
}

// meaningIn is what a word of the trade means for a field, or unknown.
func meaningIn(field, v string) string {
	if m, ok := tradeWord(v); ok && m.field == field {
		return m.value
	}
	return "unknown"
}

// withoutUnit takes a unit off a word that it is printed against.
func withoutUnit(text string, a *Answers) (word, state string) {
	for _, u := range []string{"kg", "mg", "µg", "ug", "ozt", "lb", "oz", "ct", "dwt", "gn", "pcs", "g", "t", "%"} {
		if w, ok := strings.CutSuffix(text, u); ok && w != "" {
			if state = rangeWord(w, a); state != "" {
				return w, state
			}
		}
	}
	return text, ""
}

// askRange asks about a line that shows a word where others show the weight.
func (s *solution) askRange(n int, body []byte) {
	text := strings.TrimSpace(s.src.page.text(body))
	if u := strings.LastIndexByte(text, ' '); u > 0 && unitLike(text[u+1:]) {
		text = strings.TrimSpace(text[:u])
	}
	p := s.plans[0]
	p.ask(Question{Key: "word:" + text, Frame: n + 1, Text: fmt.Sprintf("Line %d shows %q and no weight. What does that mean?", n+1, text),
		Choices: []Choice{{"over", "too much on the pan"}, {"under", "too little on the pan"}, {"ignore", "something else"}}})
}

// markedSource adds the word to the marks that stand in place of the digits.
func (s *solution) markedSource(text, state string, whole bool) *source {
	src := s.src.copy()
	if state == "over" {
		src.over = append(src.over, text)
	} else {
		src.under = append(src.under, text)
	}
	return src
}

// spanSource adds a line in which the word takes the place of weight and unit together.
func (s *solution) spanSource(text, state string, whole bool) *source {
	if _, used := s.src.ranges[""]; used || len(s.src.lines) > 1 && !s.hasRange() {
		return nil
	}
	src := s.src.copy()
	src.ranges[text] = state
	if len(src.lines) > 1 {
		return src
	}
	parts := rangeParts(src.lines[0].parts)
	if parts == nil {
		return nil
	}
	src.lines = append(src.lines, lineSource{parts: parts, notes: []string{"a line that says that the weight is out of range"}})
	return src
}

// hasRange says that a line with {range} is there already.
func (s *solution) hasRange() bool {
	return slices.ContainsFunc(s.src.lines, func(l lineSource) bool {
		return slices.ContainsFunc(l.parts, func(x part) bool { return x.field == "range" })
	})
}

// rangeParts replaces weight and unit, and what stands between, by {range}.
func rangeParts(parts []part) []part {
	w := slices.IndexFunc(parts, func(x part) bool { return x.field == "weight" })
	u := slices.IndexFunc(parts, func(x part) bool { return x.field == "unit" })
	if w < 0 || u < 0 || slices.ContainsFunc(parts, func(x part) bool { return x.field == "range" }) {
		return nil
	}
	from, to := min(w, u), max(w, u)
	width := 0
	for _, x := range parts[from : to+1] {
		if x.field != "" && x.width == 0 {
			width = -1 << 20
		}
		width += x.length()
	}
	out := slices.Clone(parts[:from])
	out = append(out, part{field: "range", width: max(0, width), slot: -1})
	return append(out, parts[to+1:]...)
}

// lineSource adds a line that is the word alone.
func (s *solution) lineSource(text, state string, whole bool) *source {
	if !whole || len(s.src.ranges) > 0 && !s.hasRange() {
		return nil
	}
	src := s.src.copy()
	src.ranges[text] = state
	src.length = 0
	if slices.ContainsFunc(src.lines[1:], func(l lineSource) bool { return l.parts[0].field == "range" }) {
		return src
	}
	parts := []part{{field: "range", slot: -1}}
	if src.check != nil && !src.check.after {
		return nil
	}
	src.lines = append(src.lines, lineSource{parts: parts, notes: []string{"a line that says that the weight is out of range"}})
	return src
}

// copy is a source that can change alone.
func (s *source) copy() *source {
	c := *s
	c.lines, c.over, c.under = slices.Clone(s.lines), slices.Clone(s.over), slices.Clone(s.under)
	c.ranges = maps.Clone(s.ranges)
	if c.ranges == nil {
		c.ranges = map[string]string{}
	}
	return &c
}

// attempt tries a changed source: frame n must now be read, without digits, and everything that was read before as before.
func (s *solution) attempt(src *source, n int, sample Sample) *solution {
	if src == nil {
		return nil
	}
	next := &solution{src: src, plans: s.plans}
	if !next.apply(sample) {
		return nil
	}
	if got, ok := next.read[n]; !ok || got.digits != "" {
		return nil
	}
	for k, before := range s.read {
		if after, ok := next.read[k]; !ok || after.short != before.short {
			return nil
		}
	}
	return next
}
