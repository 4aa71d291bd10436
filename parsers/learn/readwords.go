package learn

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// words gives their roles to the slots of words and marks: kind, stability, range, or text that stands for itself.
func (p *plan) words(a *Answers, c *context) {
	for i := range p.g.slots {
		if p.free(i) || p.flag(i) {
			p.answeredWord(i, a)
		}
	}
	for i := range p.g.slots {
		if p.free(i) && p.allKnown(i) {
			p.knownWord(i, a)
		}
	}
	for i := range p.g.slots {
		if p.free(i) || p.flag(i) {
			p.movingWord(i)
		}
	}
	for i := range p.g.slots {
		if p.free(i) {
			p.knownWord(i, a)
		}
	}
	for i := range p.g.slots {
		if p.free(i) {
			p.unknownWord(i)
		}
	}
}

// allKnown says that every value of a slot is a usual word or mark of one field, two at least that mean something different.
func (p *plan) allKnown(i int) bool {
	means := map[meaning]bool{}
	for v := range p.g.distinct(&p.g.slots[i]) {
		m, ok := tradeWord(v)
		if !ok {
			m, ok = shortWord(v)
		}
		if !ok {
			return false
		}
		means[m] = true
	}
	return len(means) >= 2
}

// free says that slot i is a word or a mark without a role yet.
func (p *plan) free(i int) bool {
	s := &p.g.slots[i]
	return p.roles[i].field == "" && i != p.weight && i != p.unit && (s.kind == tokWord || s.kind == tokMark)
}

// flag says that a slot holds single digits, four different ones at most: it may be a mark.
func (p *plan) flag(i int) bool {
	s := &p.g.slots[i]
	if p.roles[i].field != "" || i == p.weight || s.kind != tokNumber {
		return false
	}
	counts := p.g.distinct(s)
	for v := range counts {
		if len(v) > 1 {
			return false
		}
	}
	return len(counts) <= 4
}

// taken says that a field already has its slot.
func (p *plan) taken(field string) bool {
	return p.used[field] && field != "ignore" || slices.ContainsFunc(p.roles, func(r role) bool { return r.field == field })
}

func (p *plan) table(field string) map[string]string {
	switch field {
	case "kind":
		return p.kinds
	case "stability":
		return p.stability
	}
	return p.ranges
}

// fieldOf is the field whose table holds a meaning.
func fieldOf(meaning string) string {
	switch meaning {
	case "stable", "unstable":
		return "stability"
	case "gross", "net", "tare", "preset tare":
		return "kind"
	case "in", "over", "under":
		return "range"
	}
	return ""
}

// fill makes the table of a slot's words: the meanings that are known, and unknown for the rest. With other, the second of
// two words for the stability means the contrary of the first.
func (p *plan) fill(i int, field string, known map[string]string, other bool) {
	counts := p.g.distinct(&p.g.slots[i])
	table := p.table(field)
	for _, v := range sorted(counts) {
		m, ok := known[v]
		switch {
		case ok:
			table[v] = m
		case field == "stability" && other && len(counts) == 2 && len(known) == 1 && !(slices.Contains(values(known), "stable") && p.rests(i, v)):
			for _, k := range known {
				table[v] = map[string]string{"stable": "unstable", "unstable": "stable"}[k]
			}
		case field == "range":
			table[v] = "in"
		case p.strange(i, v):
			p.askRare(i, v)
		case counts[v] >= 2 || v == "" && len(known) > 0 || p.g.narrow(&p.g.slots[i]) && p.g.marks(&p.g.slots[i]) || counts[v]*2 > len(p.g.lines) || counts[""] == 0 && v != "" && labelOf(v) == "":
			table[v] = "unknown"
			if v != "" {
				p.askWord(i, v)
			}
		default:
			p.askRare(i, v)
		}
	}
}

// strange says that a word belongs to no weight: it is a usual word of messages, or its lines have no unit.
func (p *plan) strange(i int, v string) bool {
	if v == "" {
		return false
	}
	if messageWords[strings.ToLower(strings.TrimRight(v, ".:"))] {
		return true
	}
	counts := p.g.distinct(&p.g.slots[i])
	others := 0
	for o := range counts {
		if o != v {
			others = max(others, len(o))
		}
	}
	if counts[v] == 1 && others <= 2 && len(counts) > 1 && letters(v) >= 4 {
		return true // a word among marks
	}
	if p.unit < 0 || p.unit == i {
		return false
	}
	for k := range p.g.lines {
		if p.g.text(&p.g.slots[i], k) == v && len(p.g.value(&p.g.slots[p.unit], k)) > 0 {
			return false
		}
	}
	return true
}

// messageWords begin lines that are messages and no weights.
var messageWords = func() map[string]bool {
	set := map[string]bool{}
	for _, w := range strings.Fields(`error err fehler erreur errore fout chyba błąd fel virhe feil hiba hata erro ошибка version ver rev software firmware model type program prog
		capacity cap max min calibration cal justierung kalibrierung étalonnage calibracion calibración calibrazione adjust adjustment test selftest self-test
		warning warnung alarm battery batt low bat service date datum time ready start stop memory mode menu zero
		diff difference delta tol tolerance mean average avg std sn s/n serial id`) {
		set[w] = true
	}
	return set
}()

func values(m map[string]string) (all []string) {
	for _, v := range m {
		all = append(all, v)
	}
	return all
}

// rests says that two lines in a row have the word and the very same weight: the word cannot mean that the weight moves.
func (p *plan) rests(i int, word string) bool {
	if p.weight < 0 {
		return false
	}
	w := &p.g.slots[p.weight]
	for k := 1; k < len(p.g.lines); k++ {
		if p.g.text(&p.g.slots[i], k) == word && p.g.text(&p.g.slots[i], k-1) == word && p.g.text(w, k) == p.g.text(w, k-1) {
			return true
		}
	}
	return false
}

// letters counts the letters of a word.
func letters(v string) (n int) {
	for _, c := range v {
		if unicode.IsLetter(c) {
			n++
		}
	}
	return n
}

// movingWord finds the slot whose words or marks differ between weights that move and weights that stay.
func (p *plan) movingWord(i int) {
	s := &p.g.slots[i]
	counts := p.g.distinct(s)
	if label := p.labelled(i); label == "person" || label == "sample" || label == "balance" {
		return
	}
	if p.taken("stability") || p.unitMissing || len(counts) < 2 || len(counts) > 4 {
		return
	}
	ev := p.movement(func(k int) string { return p.g.text(s, k) + "·" })
	if ev.stable == "" {
		return
	}
	still, moves := strings.TrimSuffix(ev.stable, "·"), strings.TrimSuffix(ev.unstable, "·")
	for v, m := range map[string]string{still: "stable", moves: "unstable"} {
		if known, ok := tradeWord(v); ok && known.field == "stability" && known.value != m {
			p.doubt("word:"+v, "%q is a usual word for %s, and the weights of its lines speak against that", v, known.value)
			p.roles[i] = role{field: "stability", why: "words that the weights contradict"}
			p.fill(i, "stability", nil, false)
			return
		} else if ok && known.field == "kind" {
			return
		}
	}
	p.roles[i] = role{field: "stability", why: fmt.Sprintf("with %q the weight stays, with %q it moves", still, moves), proven: true}
	p.fill(i, "stability", map[string]string{still: "stable", moves: "unstable"}, false)
}

// knownWord uses the common words of the trade, and customary short marks where two of a family stand in one place.
func (p *plan) knownWord(i int, a *Answers) {
	counts := p.g.distinct(&p.g.slots[i])
	known := map[string]string{}
	field, short := "", 0
	for v := range counts {
		m, ok := tradeWord(v)
		if !ok {
			if m, ok = shortWord(v); ok {
				short++
			}
		}
		if !ok || v == "" {
			continue
		}
		if field != "" && field != m.field {
			return
		}
		field, known[v] = m.field, m.value
	}
	if field == "" || short > 0 && (!p.shortFamily(counts, known) || p.endsLike(i) && !p.besideSeveral(i)) {
		return
	}
	if field == "kind" && p.means.kind != "" || p.taken(field) {
		return // the words are labels of several numbers
	}
	if field == "kind" && len(counts) == 1 && p.labelsOther(i) {
		return
	}
	if len(counts) > 1 && len(known)*2 < len(counts) {
		return
	}
	if field == "range" && counts[""] == 0 {
		return
	}
	p.roles[i] = role{field: field, why: "words of the trade"}
	p.fill(i, field, known, true)
	if _, blank := counts[""]; blank && field == "stability" && len(counts) == 2 {
		p.doubt("settled", "lines without %q are taken for the contrary of it", sorted(known)[0])
	}
}

// labelsOther says that the word in slot i, behind the weight, announces another number with a unit of mass: a tare beside it.
func (p *plan) labelsOther(i int) bool {
	n := p.numberAfter(i)
	return i > p.weight && n > 0 && n-i <= 2 && p.isMass(p.unitSlot(n), &Answers{}) && !p.wordAfterLast()
}

// shortFamily says that short marks can be believed: two different ones of one family, and nothing else but blanks.
func (p *plan) shortFamily(counts map[string]int, known map[string]string) bool {
	values := map[string]bool{}
	for _, m := range known {
		values[m] = true
	}
	if len(values) < 2 {
		return false
	}
	for v := range counts {
		if _, ok := known[v]; !ok && v != "" {
			return false
		}
	}
	return true
}

// endsLike says that slot i ends the line right behind a mark, as a check does.
func (p *plan) endsLike(i int) bool {
	return i > 0 && i == len(p.g.slots)-1 && p.g.slots[i-1].kind == tokMark && p.g.touching(&p.g.slots[i-1], &p.g.slots[i])
}

// besideSeveral says that some mark of a slot stands beside two different weights: a check character is another one with each.
func (p *plan) besideSeveral(i int) bool {
	first := map[string]string{}
	for k := range p.g.lines {
		mark, weight := p.g.text(&p.g.slots[i], k), p.g.text(&p.g.slots[p.weight], k)
		if before, ok := first[mark]; ok && before != weight && mark != "" {
			return true
		}
		first[mark] = weight
	}
	return false
}

// unknownWord gives a table of unknown meanings to a place where a few words or marks take turns; a text that never changes
// stands for itself, and what changes all the time is for texts.
func (p *plan) unknownWord(i int) {
	s := &p.g.slots[i]
	counts := p.g.distinct(s)
	if i > 0 && p.g.announced(i) && s.kind == tokWord {
		return // a name behind a label: others will come
	}
	if len(counts) == 1 || s.kind != tokMark && !p.g.narrow(s) && (len(counts) > 5 || len(counts) == len(s.vals) || p.labelled(i) != "") {
		return
	}
	if s.kind == tokMark || p.g.narrow(s) {
		p.unknownTable(i)
		return
	}
	digits := 0
	for v := range counts {
		if hasDigit(v) {
			digits++
		}
	}
	if digits > 0 {
		return
	}
	p.unknownTable(i)
}

// narrow says that no value of a slot has more than one character, and not all are digits.
func (g *grid) narrow(s *slot) bool {
	digits := true
	for i := range s.vals {
		v := g.value(s, i)
		if len(v) > 1 {
			return false
		}
		digits = digits && (len(v) == 0 || isDigit(v[0]))
	}
	return !digits
}

// marks says that a slot holds one mark and nothing else, there or missing: what few lines show of it is no word for a weight
// out of range, since their weight stands beside it.
func (g *grid) marks(s *slot) bool {
	counts := g.distinct(s)
	return counts[""] > 0 && len(counts) == 2
}

// unknownTable gives a slot a table in which every word means unknown.
func (p *plan) unknownTable(i int) {
	for _, field := range []string{"stability", "kind"} {
		if !p.taken(field) && (field != "kind" || p.means.kind == "") {
			p.unknowns++
			p.roles[i] = role{field: field, why: "words or marks that take turns; what they mean is not known"}
			p.fill(i, field, nil, false)
			return
		}
	}
}

// emptyTable says that a slot has a table without words: each was too rare to be taken.
func (p *plan) emptyTable() bool {
	for _, field := range []string{"stability", "kind", "range"} {
		if len(p.table(field)) == 0 && slices.ContainsFunc(p.roles, func(r role) bool { return r.field == field }) {
			return true
		}
	}
	return false
}

// labelled is what the words before slot i say that it is: sample, person, balance, range, counter, ignore, pieces, or "".
func (p *plan) labelled(i int) string {
	g := p.g
	text := ""
	for k := i - 1; k >= 0 && k >= i-4; k-- {
		s := &g.slots[k]
		if k == p.weight || k == p.unit || len(g.distinct(s)) != 1 {
			break
		}
		v := g.text(s, 0)
		if p.roles[k].field != "" || v == "" || separator(v[0]) && v[0] != ':' {
			break
		}
		if text = strings.TrimSpace(v + " " + text); labelOf(text) != "" {
			found := labelOf(text)
			if k > 0 {
				if more := labelOf(g.text(&g.slots[k-1], 0) + " " + text); more != "" {
					return more
				}
			}
			return found
		}
	}
	return ""
}
