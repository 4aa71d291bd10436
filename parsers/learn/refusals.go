package learn

import (
	"bytes"
	"fmt"
	"strings"
)

// minusIn says that a mark right behind the weight's digits holds a minus in some lines.
func (p *plan) minusIn(i int) bool {
	if p.g.slots[i].kind == tokNumber || !p.g.touching(&p.g.slots[p.weight], &p.g.slots[i]) {
		return false
	}
	for v := range p.g.distinct(&p.g.slots[i]) {
		if strings.Contains(v, "-") {
			return true
		}
	}
	return false
}

// signLike says that some value of a slot right before the weight is a sign with digits, or ends with a minus.
func (p *plan) signLike(i int) bool {
	if i != p.weight-1 {
		return false
	}
	for v := range p.g.distinct(&p.g.slots[i]) {
		if v == "" || len(v) > 1 && strings.Trim(v, "-") == "" {
			continue // two dashes are no sign
		}
		if isSign(v[0]) && strings.Trim(v[1:], "0123456789") == "" || v[len(v)-1] == '-' {
			return true
		}
	}
	return false
}

// beyond refuses a number of lines most of which say beside it that the weight is out of range.
func (p *plan) beyond() *refusal {
	for i := range p.g.slots {
		s, n := &p.g.slots[i], 0
		for k := range s.vals {
			if m, ok := tradeWord(p.g.text(s, k)); ok && m.field == "range" && m.value != "in" && !p.g.slots[p.weight].vals[k].empty() {
				n++
			}
		}
		if n*2 > len(s.vals) {
			return &refusal{why: fmt.Sprintf("most lines say “%s”, and what stands beside that is no weight", p.g.example(i))}
		}
	}
	return nil
}

// strayBytes refuses a control character that stands in some lines and not in others: it is noise and no mark.
func (p *plan) strayBytes() *refusal {
	for i := range p.g.slots {
		s := &p.g.slots[i]
		if s.kind != tokMark || p.g.present(s) == len(s.vals) {
			continue
		}
		for v := range p.g.distinct(s) {
			if v != "" && (v[0] < ' ' && v[0] != '\t' || v[0] == 0x7F) {
				return &refusal{why: fmt.Sprintf("the byte %q stands in some lines and not in others, as noise does", v)}
			}
		}
	}
	return nil
}

// gluedCounter refuses numbers with a comma and zeros in front whose whole part goes up by one a line at most and never down, or that have more
// or fewer decimals: a running number may be printed before the weight, and the comma may part the two.
func (p *plan) gluedCounter() *refusal {
	if p.shown || p.style.decimal != ',' {
		return nil
	}
	lengths, wholes, before, last := map[int]bool{}, map[int]bool{}, -1, 0
	for k := range p.g.lines {
		v := p.g.value(&p.g.slots[p.weight], k)
		if len(v) == 0 {
			continue
		}
		at := bytes.IndexByte(v, ',')
		if at < 2 || at > 9 || v[0] != '0' || digitRun(v) != at {
			return nil
		}
		whole := number(v[:at])
		if before >= 0 && (whole < before || whole-before > p.g.index[k]-last) {
			return nil
		}
		before, last = whole, p.g.index[k]
		wholes[whole], lengths[digitRun(v[at+1:])] = true, true
	}
	if len(lengths) < 2 && len(wholes) < 2 {
		return nil
	}
	return &refusal{why: fmt.Sprintf("“%s” has zeros in front of a comma, and the digits before it go up as a counter's do: it may be a running number and a weight; say what the display showed", p.g.example(p.weight)),
		questions: []Question{p.displayQuestion()}}
}

// takeTurns refuses two neighbours beside the weight of which each line has one and not the other: they are one place, and a
// layout that has both would take a blank for one of them.
func (p *plan) takeTurns() *refusal {
	for i := 0; i+1 < len(p.g.slots); i++ {
		l, r := &p.g.slots[i], &p.g.slots[i+1]
		lefts, rights := p.g.present(l), p.g.present(r)
		if p.fieldAt(i) == "" || p.fieldAt(i+1) == "" || lefts == 0 || rights == 0 || lefts+rights != len(p.g.lines) {
			continue
		}
		turns := true
		for k := range l.vals {
			turns = turns && l.vals[k].empty() != r.vals[k].empty()
		}
		if turns {
			return &refusal{why: fmt.Sprintf("“%s” and “%s” take turns in one place, and no layout was found for that", p.g.example(i), p.g.example(i+1))}
		}
	}
	return nil
}

// grownDigit refuses weights whose last digit is one of two only, other than 0 and 5: no balance counts so, and the digit may
// be a mark that is printed against the weight.
func (p *plan) grownDigit() *refusal {
	last := map[byte]int{}
	values := p.g.distinct(&p.g.slots[p.weight])
	for v := range values {
		b := bytes.TrimRight([]byte(v), "+-])> .,")
		if len(b) > 0 {
			last[b[len(b)-1]]++
		}
	}
	odd := false
	for c, n := range last {
		if n < 2 {
			return nil // a single weight is no sign of anything
		}
		odd = odd || c%2 == 1
	}
	if len(values) < 5 || len(last) != 2 || last['0'] > 0 && last['5'] > 0 || !odd {
		return nil
	}
	return &refusal{why: fmt.Sprintf("the last digit of “%s” is one of two in all lines: it may be a mark and no part of the weight; say what the display showed", p.g.example(p.weight)),
		questions: []Question{p.displayQuestion()}}
}

// minusWords say minus without its sign.
var minusWords = map[string]bool{"minus": true, "moins": true, "menos": true, "meno": true, "neg": true, "negative": true, "negativ": true, "negativo": true,
	"négatif": true, "ujemny": true, "záporná": true, "miinus": true, "–": true, "−": true, "минус": true, "mínus": true}

// looseSign refuses a weight in whose lines a minus stands alone that was not taken for its sign, unless the weights prove it
// to be a mark for the stability.
func (p *plan) looseSign() *refusal {
	for i := range p.g.slots {
		counts := p.g.distinct(&p.g.slots[i])
		if i == p.weight || i == p.unit || p.roles[i].said || p.roles[i].proven && len(counts) == 2 && counts["-"] == 0 {
			continue
		}
		minus := counts["-"] > 0 || counts["("] > 0 || counts[")"] > 0
		for v := range counts {
			minus = minus || strings.HasSuffix(v, " -") || strings.HasPrefix(v, "- ")
			for _, word := range strings.Fields(v) {
				minus = minus || minusWords[strings.ToLower(strings.Trim(word, " ()[].:"))]
			}
		}
		minus = minus || i < p.weight && p.signLike(i) || i == p.weight+1 && p.minusIn(i)
		if minus && len(counts) > 1 || len(counts) == 1 && counts["-"] > 0 && p.g.slots[i].kind == tokMark && !p.shown && !p.arrow(i) {
			return &refusal{why: "the minus that stands alone in some lines may be the weight's sign or a mark for something else: say what the display showed", questions: []Question{p.displayQuestion()}}
		}
	}
	return nil
}

// arrow says that the minus in slot i is the shaft of an arrow in all lines: ->.
func (p *plan) arrow(i int) bool {
	if i+1 >= p.weight || p.g.slots[i+1].kind != tokMark || !p.g.touching(&p.g.slots[i], &p.g.slots[i+1]) {
		return false
	}
	counts := p.g.distinct(&p.g.slots[i+1])
	return len(counts) == 1 && strings.HasPrefix(p.g.example(i+1), ">")
}
