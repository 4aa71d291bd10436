package learn

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// numbers gives their roles to the numbers beside the weight.
func (p *plan) numbers(a *Answers, c *context) {
	for i := range p.g.slots {
		s := &p.g.slots[i]
		if s.kind != tokNumber || i == p.weight || p.roles[i].field != "" {
			continue
		}
		label := p.labelled(i)
		switch {
		case p.unitBehind(i) >= 0 && p.isCount(p.unitBehind(i), a) && p.wholes(s) && !p.taken("count"):
			p.roles[i] = role{field: "count", why: "a number of pieces"}
		case p.unitBehind(i) >= 0 || hasDecimals(p.g.values(s)) && label != "sample" && label != "person" && label != "balance":
			p.otherMeasure(i)
		case label == "pieces" && p.wholes(s) && !p.counts(s) && !p.taken("count"):
			p.roles[i] = role{field: "count", why: "a number of pieces, by its label"}
		case label == "range" && !p.taken("range_number"):
			p.roles[i] = role{field: "range_number", why: "the number of the range, by its label"}
		case label == "sample" || label == "person" || label == "balance":
			p.text(i, label, "by its label", a)
		case p.counts(s):
			p.roles[i] = role{field: "ignore", why: "a counter: it goes up by one with each line", digits: true}
		case len(p.g.distinct(s)) == 1 && p.g.present(s) == len(s.vals) && compactDate(p.g.value(s, 0)):
			p.roles[i] = role{field: "ignore", why: "digits like a date of one day", wide: true, digits: true}
			p.doubt("", "%q stands in every line and may be the date: other digits are passed over there", p.g.value(s, 0))
		case p.behindCode(i):
			p.roles[i] = role{field: "ignore", why: "a number behind a label, in a line that names other things too", digits: true}
		case len(p.g.distinct(s)) == 1 && p.g.present(s) == len(s.vals):
			p.doubt("", "the number %q stands in every line; it is taken for text that never changes, and lines with another are refused", p.g.value(s, 0))
		default:
			p.text(i, "", "a number that changes", a)
			// Digits alone are passed over: a line end that the framing does not know would join the next print to this one.
			p.roles[i].digits = p.roles[i].field == "ignore" && i == len(p.g.slots)-1 && p.wholes(s) && p.g.present(s) == len(s.vals)
		}
	}
}

// compactDate says that six or eight digits can be a date without marks: 261128, 28112026. As text that never changes it would
// refuse every line of the next day.
func compactDate(v []byte) bool {
	if digitRun(v) != len(v) {
		return false
	}
	two := func(i int) int { return number(v[i : i+2]) }
	day, month := func(i int) bool { return two(i) >= 1 && two(i) <= 31 }, func(i int) bool { return two(i) >= 1 && two(i) <= 12 }
	switch len(v) {
	case 6:
		return month(2) && (day(4) || day(0)) || month(0) && day(2)
	case 8:
		return two(0) == 20 && month(4) && day(6) || two(4) == 20 && (day(0) && month(2) || month(0) && day(2))
	}
	return false
}

// isCount says that the symbols of a slot count pieces.
func (p *plan) isCount(k int, a *Answers) bool {
	for v := range p.g.distinct(&p.g.slots[k]) {
		if v == "" {
			continue
		}
		if u, _, ok := unitOf(v, a); !ok || u.Key() != "pieces" {
			return false
		}
	}
	return true
}

// otherMeasure passes over a number with a unit that is not the weight, and its unit.
func (p *plan) otherMeasure(i int) {
	p.roles[i] = role{field: "ignore", why: "another measured number"}
	if u := p.unitBehind(i); u >= 0 && u != p.unit && p.roles[u].field == "" {
		if len(p.g.distinct(&p.g.slots[u])) > 1 {
			p.roles[u] = role{field: "ignore", why: "its unit"}
		}
	}
}

// wholes says that all numbers of a slot are plain digits.
func (p *plan) wholes(s *slot) bool {
	for _, v := range p.g.values(s) {
		if digitRun(v) != len(v) {
			return false
		}
	}
	return true
}

// counts says that a slot goes up by one from line to line.
func (p *plan) counts(s *slot) bool {
	if !p.wholes(s) || p.g.present(s) != len(s.vals) || len(s.vals) < FewFrames {
		return false
	}
	steps := 0
	for k := 1; k < len(s.vals); k++ {
		a, b := p.g.value(s, k-1), p.g.value(s, k)
		if len(a) > 9 || len(b) > 9 {
			return false
		}
		d := number(b) - number(a)
		if d == p.g.index[k]-p.g.index[k-1] || d == 1 {
			steps++
		} else if d > 0 || number(b) > 1 {
			return false
		}
	}
	return steps*10 >= (len(s.vals)-1)*8
}

// texts gives their roles to what is left: names, and text that stands for itself.
func (p *plan) texts(a *Answers, c *context) {
	for i := range p.g.slots {
		s := &p.g.slots[i]
		if i == p.weight || i == p.unit || p.roles[i].field != "" || s.kind == tokNumber {
			continue
		}
		counts := p.g.distinct(s)
		label := p.labelled(i)
		constant := len(counts) == 1
		switch {
		case s.kind == tokMark && constant:
		case constant && label == "" && p.behindCode(i):
			p.roles[i] = role{field: "ignore", why: "a name behind a label, in a line that names other things too"}
		case constant && !idLike(p.g.text(s, 0)) && label != "sample" && label != "person" && label != "balance":
		case label == "sample" || label == "person" || label == "balance":
			p.text(i, label, "by its label", a)
		case constant && monthFirst(p.g.text(s, 0)):
			p.roles[i] = role{field: "ignore", why: "a date that begins with the name of a month", wide: true}
			p.doubt("", "%q stands in every line and may be the date: other texts are passed over there", p.g.text(s, 0))
		case constant && !p.taken("balance") && p.ownName(p.g.text(s, 0)) && !p.announces(i) && !p.mayBeCheck(i):
			p.text(i, "balance", "it never changes and looks like a name that somebody gave", a)
		case constant:
		default:
			p.text(i, "", "text that changes", a)
		}
	}
}

// monthFirst says that a text may be a date that begins with a month's name of three or four letters: Okt-21-26.
func monthFirst(v string) bool {
	parts := strings.FieldsFunc(v, func(c rune) bool { return strings.ContainsRune("-./ ", c) })
	if len(parts) != 3 || letters(parts[0]) != utf8.RuneCountInString(parts[0]) || letters(parts[0]) < 3 || letters(parts[0]) > 4 {
		return false
	}
	day, year := parts[1], parts[2]
	return digitRun([]byte(day)) == len(day) && len(day) <= 2 && digitRun([]byte(year)) == len(year) && (len(year) == 2 || len(year) == 4) && number([]byte(day)) <= 31
}

// behindCode says that slot i holds one word or number in all lines and that a label stands before it: a constant word and a
// colon, or a word with a digit or of two capital letters. Where a date, a time or a text that changes shows that the line is
// a record, it may be the name of whoever weighs: the next one has another.
func (p *plan) behindCode(i int) bool {
	g, s := p.g, &p.g.slots[i]
	v := g.example(i)
	if i == 0 || len(g.distinct(s)) != 1 || len(v) < 2 || len(v) > 12 || strings.ContainsRune(v, ' ') || !p.isRecord() {
		return false
	}
	if _, known := tradeWord(v); known || unitLike(v) || p.ownName(v) || i+1 == p.weight && labelOf(v) != "" {
		return false
	}
	mark, before := g.example(i-1), &g.slots[i-1]
	if len(g.distinct(before)) != 1 || p.roles[i-1].field != "" || i-1 == p.weight || i-1 == p.unit {
		return false
	}
	if before.kind == tokMark {
		return (mark[len(mark)-1] == ':' || mark[len(mark)-1] == '=') && i > 1 && p.roles[i-2].field == "" && i-2 != p.weight && i-2 != p.unit
	}
	return before.kind == tokWord && len(mark) == 2 && isUpper(mark[0]) && (isUpper(mark[1]) || isDigit(mark[1])) && !unitLike(mark)
}

func isUpper(c byte) bool { return c >= 'A' && c <= 'Z' }

// isRecord says that the line has a date, a time, or a text that changes.
func (p *plan) isRecord() bool {
	for i, r := range p.roles {
		if r.field == "date" || r.field == "time" || p.g.slots[i].kind == tokWord && i != p.unit && len(p.g.distinct(&p.g.slots[i])) > 2 {
			return true
		}
	}
	return false
}

// ownName says that a text that never changes is likely the balance's own name: letters and digits with a hyphen, or four
// characters and more. A shorter one is as likely a label.
func (p *plan) ownName(v string) bool {
	return letters(v) > 0 && hasDigit(v) && (strings.ContainsAny(v, "-_") || len(v) > 4)
}

// announces says that slot i is a label: a colon, an equals sign or dots come behind it.
func (p *plan) announces(i int) bool {
	if i+1 >= len(p.g.slots) {
		return false
	}
	v := p.g.example(i + 1)
	return p.g.slots[i+1].kind == tokMark && (v[0] == ':' || v[0] == '=' || v[0] == '.')
}

// text makes a slot a named text. Without a guess from its label it is the sample's name if it is the only such text, and is
// passed over otherwise.
func (p *plan) text(i int, guess, why string, a *Answers) {
	no := p.texts0 + 1
	for k := range p.roles {
		if p.roles[k].textNo >= no {
			no = p.roles[k].textNo + 1
		}
	}
	key := fmt.Sprintf("text:%d", no)
	r := role{field: guess, why: why, textNo: no}
	if said, ok := a.Texts[fmt.Sprint(no)]; ok {
		r.field, r.why = said, "as the answers say"
	} else if guess == "" || p.taken(guess) && guess != "ignore" {
		r.field = "ignore"
		if s := &p.g.slots[i]; !p.taken("sample") && guess == "" && s.kind == tokWord && p.names(s) && !p.mayBeCheck(i) {
			r.field = "sample"
			r.why += ": taken for the sample's name"
		}
		p.askText(i, key)
	} else if why != "by its label" {
		p.askText(i, key)
	}
	if r.field != "ignore" && p.taken(r.field) {
		r.field = "ignore"
	}
	p.roles[i] = r
}

// names says that all texts of a slot look like names that somebody gives to samples: letters and digits, four at least.
func (p *plan) names(s *slot) bool {
	for v := range p.g.distinct(s) {
		if v != "" && (!idLike(v) || !isLetter(v[0]) || len(v) < 4) {
			return false
		}
	}
	return true
}

// mayBeCheck says that what ends the lines may hold a check: all values are as long and end with two hexadecimal digits.
func (p *plan) mayBeCheck(i int) bool {
	s, lengths := &p.g.slots[i], map[int]bool{}
	for k := range s.vals {
		v := p.g.value(s, k)
		if lengths[len(v)] = true; len(v) < 2 || strings.Trim(string(v[len(v)-2:]), "0123456789ABCDEFabcdef") != "" {
			return false
		}
	}
	return i == len(p.g.slots)-1 && len(lengths) == 1
}

func (p *plan) longest(s *slot) (v string) {
	for _, x := range sorted(p.g.distinct(s)) {
		if len(x) > len(v) {
			v = x
		}
	}
	return v
}

func (p *plan) askText(i int, key string) {
	v := p.longest(&p.g.slots[i])
	q := Question{Key: key, Text: fmt.Sprintf("What is %q in the lines?", v)}
	for _, k := range textKinds {
		q.Choices = append(q.Choices, Choice{k, k})
	}
	p.ask(q)
	p.doubt(key, "what %q in the lines is, a sample, a person or something else, the bytes do not say", v)
}

// openNames passes over names behind a label where what follows one blank later is passed over too: it may go on with the name.
func (p *plan) openNames() {
	for i := range p.roles {
		r := &p.roles[i]
		if r.field != "sample" && r.field != "person" && r.field != "balance" || i+1 >= len(p.roles) || i+1 == p.unit {
			continue
		}
		next := p.roles[i+1]
		l, s := &p.g.slots[i], &p.g.slots[i+1]
		near := 0
		for k := range l.vals {
			if !l.vals[k].empty() && s.vals[k].from-l.vals[k].to == 1 {
				near++
			}
		}
		if next.field != "ignore" || near*2 < len(l.vals) {
			continue
		}
		p.doubt("", "%q may be a part of a name that goes on with %q: both are passed over", p.g.example(i), p.g.example(i+1))
		r.field = "ignore"
	}
}
