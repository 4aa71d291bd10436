package learn

import (
	"bytes"
	"fmt"
	"strings"
)

// torn refuses a weight beside which a number stands that may be a part of it: groups of digits between blanks.
func (p *plan) torn() *refusal {
	if p.shown {
		if w := p.weight; w > 0 && p.g.mayGroup(&p.g.slots[w-1], &p.g.slots[w]) && p.g.present(&p.g.slots[w-1]) < len(p.g.lines) {
			return &refusal{why: fmt.Sprintf("“%s %s” may be one number, or two: say what the display showed for such a line", p.g.example(w-1), p.g.example(w)),
				questions: []Question{p.displayQuestion()}}
		}
		return nil
	}
	if p.hexTail() || p.commaBefore() || p.commaAfter() {
		return &refusal{why: fmt.Sprintf("“%s” may be a part of a longer number, or more than the weight: say what the display showed", p.g.example(p.weight)), questions: []Question{p.displayQuestion()}}
	}
	if w := p.weight; w > 0 && w+1 < len(p.g.slots) && p.g.example(w-1) == "(" && p.g.example(w+1) == ")" &&
		p.g.touching(&p.g.slots[w-1], &p.g.slots[w]) && p.g.touching(&p.g.slots[w], &p.g.slots[w+1]) {
		return &refusal{why: fmt.Sprintf("the round brackets about “%s” may mean that it is below zero, which no layout can say", p.g.example(w)), questions: []Question{p.displayQuestion()}}
	}
	if i := p.beforeWeight(); i >= 0 && i < p.weight-1 && p.g.mayGroup(&p.g.slots[i], &p.g.slots[p.weight]) {
		return &refusal{why: fmt.Sprintf("“%s %s” may be one number, or two: say what the display showed", p.g.example(i), p.g.example(p.weight)),
			questions: []Question{p.displayQuestion()}}
	}
	for i := p.weight - 1; i <= p.weight; i++ {
		if p.g.headless(&p.g.slots[p.weight]) {
			return &refusal{why: fmt.Sprintf("a decimal sign stands before the digits “%s”, and nothing before it", p.g.example(p.weight)), questions: []Question{p.displayQuestion()}}
		}
		if p.pointUnit() {
			return &refusal{why: fmt.Sprintf("digits follow the unit behind “%s” directly: the unit may stand for the decimal sign", p.g.example(p.weight)), questions: []Question{p.displayQuestion()}}
		}
		if i > 0 && i == p.weight-1 && p.g.fraction(i) {
			return &refusal{why: fmt.Sprintf("“%s” may be a part of a fraction, and no layout reads those", p.g.example(p.weight))}
		}
		if i < 0 || i+1 >= len(p.g.slots) || !p.g.mayGroup(&p.g.slots[i], &p.g.slots[i+1]) && !p.g.broken(&p.g.slots[i], &p.g.slots[i+1]) {
			continue
		}
		return &refusal{why: fmt.Sprintf("“%s %s” may be one number, or two: say what the display showed", p.g.example(i), p.g.example(i+1)),
			questions: []Question{p.displayQuestion()}}
	}
	return nil
}

// beforeWeight is the last place before the weight that most lines have, or -1.
func (p *plan) beforeWeight() int {
	i := p.weight - 1
	for i >= 0 && p.g.present(&p.g.slots[i])*2 < len(p.g.lines) {
		i--
	}
	return i
}

// pointUnit says that digits are printed right behind the unit of a weight without decimals: 12g7.
func (p *plan) pointUnit() bool {
	w := p.weight
	if w+1 < len(p.g.slots) && p.g.lettersDigits(&p.g.slots[w], &p.g.slots[w+1]) && !hasDecimals(p.g.values(&p.g.slots[w])) {
		return true
	}
	if w+2 >= len(p.g.slots) || p.unitBehind(w) < 0 || hasDecimals(p.g.values(&p.g.slots[w])) || !isDigit((p.g.example(w+2) + " ")[0]) {
		return false
	}
	return p.g.touching(&p.g.slots[w], &p.g.slots[w+1]) && p.g.touching(&p.g.slots[w+1], &p.g.slots[w+2])
}

// lettersDigits says that r begins with letters, goes on with digits and stands right behind the digits of l in most lines.
func (g *grid) lettersDigits(l, r *slot) bool {
	if r.kind != tokWord {
		return false
	}
	n := 0
	for i := range r.vals {
		v := g.value(r, i)
		if first := len(lettersAt(v)); first > 0 && first < len(v) && isDigit(v[first]) && l.vals[i].to == r.vals[i].from {
			n++
		}
	}
	return n*2 > len(r.vals)
}

// hexTail says that letters from A to F grow out of the weight's digits in some lines: the last digits may be a check.
func (p *plan) hexTail() bool {
	if p.weight+1 >= len(p.g.slots) || p.weight+1 == p.unitSlot(p.weight) {
		return false
	}
	s := &p.g.slots[p.weight+1]
	if s.kind != tokWord || !p.g.touching(&p.g.slots[p.weight], s) {
		return false
	}
	counts := p.g.distinct(s)
	for v := range counts {
		if strings.Trim(v, "0123456789ABCDEFabcdef") != "" {
			return false
		}
	}
	return len(counts) > 1 || len(p.g.lines) < 5 && len(p.g.example(p.weight+1)) == 1 // a check that few lines show
}

// commaBefore says that a comma parts the weight's whole digits from others right before them: they may be its decimals.
func (p *plan) commaBefore() bool {
	w := p.weight
	if w < 2 || hasDecimals(p.g.values(&p.g.slots[w])) || p.g.example(w-1) != "," || p.g.slots[w-2].kind != tokNumber {
		return false
	}
	return p.g.touching(&p.g.slots[w-2], &p.g.slots[w-1]) && p.g.touching(&p.g.slots[w-1], &p.g.slots[w])
}

// commaAfter says that a comma stands right behind the weight's whole digits, and as many digits right behind it in all lines: they
// may be its decimals.
func (p *plan) commaAfter() bool {
	w := p.weight
	if w+2 >= len(p.g.slots) || hasDecimals(p.g.values(&p.g.slots[w])) || p.g.example(w+1) != "," || p.unitSlot(w) == w+2 {
		return false
	}
	lengths := map[int]bool{}
	for k := range p.g.lines {
		lengths[digitRun(p.g.value(&p.g.slots[w+2], k))] = true
	}
	return len(lengths) == 1 && !lengths[0] && p.g.touching(&p.g.slots[w], &p.g.slots[w+1]) && p.g.touching(&p.g.slots[w+1], &p.g.slots[w+2])
}

// headless says that a point or comma right before the digits of a slot has a blank, a sign or nothing before it.
func (g *grid) headless(s *slot) bool {
	for i, v := range s.vals {
		if v.empty() || v.from == 0 {
			continue
		}
		b := g.lines[i]
		if c := b[v.from-1]; (c == '.' || c == ',') && (v.from == 1 || bytes.IndexByte([]byte(" +-:=<>[(|"), b[v.from-2]) >= 0) {
			return true
		}
	}
	return false
}

// fraction says that a stroke stands between the whole number behind slot i and a number before it.
func (g *grid) fraction(i int) bool {
	if before := g.example(i - 1); g.example(i) != "/" || before == "" || !isDigit(before[len(before)-1]) || hasDecimals(g.values(&g.slots[i+1])) {
		return false
	}
	for k := range g.lines {
		l, m, r := g.slots[i-1].vals[k], g.slots[i].vals[k], g.slots[i+1].vals[k]
		if !l.empty() && !m.empty() && l.to == m.from && m.to == r.from {
			return true
		}
	}
	return false
}

// broken says that blanks stand between the digits of one number: a decimal sign stands alone beside r or l, or single digits
// follow each other.
func (g *grid) broken(l, r *slot) bool {
	for i := range l.vals {
		lv, rv := g.value(l, i), g.value(r, i)
		if len(lv) == 0 || len(rv) == 0 || r.vals[i].from-l.vals[i].to != 1 {
			continue
		}
		sign := func(v []byte) bool { return len(v) == 1 && (v[0] == '.' || v[0] == ',') }
		b := g.lines[i]
		before, after := l.vals[i].from, r.vals[i].to
		if sign(lv) && isDigit(rv[0]) && before > 1 && b[before-1] == ' ' && isDigit(b[before-2]) ||
			sign(rv) && isDigit(lv[len(lv)-1]) && after+1 < len(b) && b[after] == ' ' && isDigit(b[after+1]) || len(lv) == 1 && len(rv) == 1 && isDigit(lv[0]) && isDigit(rv[0]) {
			return true
		}
	}
	return false
}

// mayGroup says that l and r may be groups of one number: in most lines that have both, one blank lies between and r has
// three whole digits.
func (g *grid) mayGroup(l, r *slot) bool {
	if l.kind != tokNumber && l.kind != tokWord || r.kind != tokNumber {
		return false
	}
	may, not := 0, 0
	for i := range l.vals {
		lv, rv := g.value(l, i), g.value(r, i)
		if len(lv) == 0 || len(rv) == 0 || l.kind == tokWord && digitRun(trimSigns(lv)) != len(trimSigns(lv)) {
			continue // a word among words may be digits that were taken for one
		}
		first := trimSigns(lv)
		if isSign(rv[0]) || digitRun(rv) != 3 || !groupDigits(lv) || r.vals[i].from-l.vals[i].to != 1 || len(first) > 1 && first[0] == '0' {
			not++
		} else {
			may++
		}
	}
	return may > 0 && may*4 >= not && !g.climbs(l)
}
