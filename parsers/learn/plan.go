package learn

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/unit"
)

// role is what a slot is.
type role struct {
	field  string // a field of package layout, or "" for text that stands for itself
	why    string // the reason, for the comment in the layout
	textNo int    // of a text that a person may name, from 1
	proven bool   // by the weights themselves, or by a person
	said   bool   // by a person
	digits bool   // of a field that is ignored: digits and nothing else
	wide   bool   // keeps its width also where fields have none
}

// plan is one explanation of a grid: a role for each slot and how values are written.
type plan struct {
	g      *grid
	roles  []role
	weight int // number of the slot, -1 for none
	unit   int // likewise
	style  style

	kinds, stability, ranges map[string]string // tables: printed word to meaning
	unitWords                map[string]string
	unitAlways               string
	unitMissing              bool // a weight without unit is not stable
	missingUnit              string
	means                    meaningPair
	date                     dateOrder
	dateFits                 []dateOrder // orders that fit as well as one another, where the date is kept as printed
	doubts                   []Doubt
	questions                []Question
	reasons                  []string        // of the reading as a whole
	unsure                   bool            // a doubt bears on the reading
	used                     map[string]bool // fields that other lines of a block have
	texts0                   int             // how many texts those have
	unknowns                 int             // how many slots have a table of words that nobody knows
	block                    bool            // the grid is one line of a print block
	shown                    bool            // a display showed which number is the weight
	crowded                  bool            // no blank column stands between a text and the weight
}

// meaningPair is what a line means without printing it.
type meaningPair struct{ kind, stability string }

func (p *plan) doubt(key, format string, args ...any) {
	p.doubts = append(p.doubts, Doubt{Key: key, Text: fmt.Sprintf(format, args...)})
}

func (p *plan) ask(q Question) {
	if !slices.ContainsFunc(p.questions, func(o Question) bool { return o.Key == q.Key }) {
		p.questions = append(p.questions, q)
	}
}

// refusal is why a grid has no plan: a sentence and what to ask.
type refusal struct {
	why       string
	questions []Question
}

// explainGrid finds the roles of a grid's slots.
func explainGrid(g *grid, a *Answers, c *context) (*plan, *refusal) {
	return explainPlan(newPlan(g), a, c)
}

func explainPlan(p *plan, a *Answers, c *context) (*plan, *refusal) {
	if no := p.chooseWeight(a, c); no != nil {
		return nil, no
	}
	if w := &p.g.slots[p.weight]; p.g.present(w)*2 < len(p.g.lines) {
		return nil, &refusal{why: fmt.Sprintf("the number “%s” stands in few lines only", p.g.example(p.weight)), questions: []Question{p.displayQuestion()}}
	}
	if no := p.beyond(); no != nil {
		return nil, no
	}
	if no := p.torn(); no != nil {
		return nil, no
	}
	if no := p.strayBytes(); no != nil {
		return nil, no
	}
	if no := p.chooseStyle(a, c); no != nil {
		return nil, no
	}
	if no := p.gluedCounter(); no != nil {
		return nil, no
	}
	if no := p.readUnit(a, c); no != nil {
		return nil, no
	}
	p.dates(a, c)
	p.words(a, c)
	if no := p.grownDigit(); no != nil && !c.shows() {
		return nil, no
	}
	if no := p.looseSign(); no != nil {
		return nil, no
	}
	p.numbers(a, c)
	p.texts(a, c)
	p.openNames()
	if no := p.takeTurns(); no != nil {
		return nil, no
	}
	return p, nil
}

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

// context is what all grids of a sample share.
type context struct {
	frames  []cut
	display map[int]shown // by number of the frame
	anyShow []shown       // shown for no certain frame
	comma   bool          // something shows that commas are decimal signs here
}

// shows says that a display was said to have shown something: chooseStyle has found it among the weights, digit by digit.
func (c *context) shows() bool { return len(c.display)+len(c.anyShow) > 0 }

// unitSlot is the slot of the unit beside number i: right behind it, past brackets, or right before it. -1 for none.
func (p *plan) unitSlot(i int) int {
	if k := p.nearUnit(i); k >= 0 {
		return k
	}
	g := p.g
	for _, step := range []int{1, -1} {
		for k := i + step; k >= 0 && k < len(g.slots); k += step {
			s := &g.slots[k]
			if p.isUnit(k) {
				if step < 0 && p.belongsBefore(k) {
					break
				}
				return k
			}
			if s.kind != tokMark || len(g.distinct(s)) != 1 {
				break
			}
		}
	}
	return -1
}

// nearUnit is the slot of a unit with nothing but blanks, brackets or a sign between it and number i, or -1.
func (p *plan) nearUnit(i int) int {
	for _, step := range []int{1, -1} {
		for k := i + step; k >= 0 && k < len(p.g.slots); k += step {
			if p.isUnit(k) {
				if step < 0 && k > 0 && p.g.slots[k-1].kind == tokNumber && p.belongsBefore(k) {
					break
				}
				return k
			}
			if s := &p.g.slots[k]; s.kind != tokMark || len(p.g.distinct(s)) != 1 && !p.g.signsOnly(s) || p.g.separates(s) || p.g.example(k) == "/" {
				break
			}
		}
	}
	return -1
}

func (p *plan) isUnit(k int) bool {
	s := &p.g.slots[k]
	return (s.kind == tokWord || s.kind == tokMark) && p.g.unitsOnly(s)
}

// belongsBefore says that the unit in slot k is that of the number right before it.
func (p *plan) belongsBefore(k int) bool {
	n := k - 1
	if n > 0 && p.g.separates(&p.g.slots[n]) {
		n--
	}
	if n < 0 || p.g.slots[n].kind != tokNumber || notWeight(p.labelled(n)) || p.unitBetween(n) {
		return false
	}
	s := &p.g.slots[n]
	return n == k-1 || hasDecimals(p.g.values(s)) || !p.counts(s) && !p.g.climbs(s) && !idLike(p.g.example(n)) && len(p.g.distinct(s)) > 1
}

// unitBehind is the unit right behind number i, or -1.
func (p *plan) unitBehind(i int) int {
	if i+1 < len(p.g.slots) {
		if s := &p.g.slots[i+1]; (s.kind == tokWord || s.kind == tokMark) && p.g.unitsOnly(s) {
			return i + 1
		}
	}
	return -1
}

// isMass says that a slot of units can be units of mass in most lines.
func (p *plan) isMass(k int, a *Answers) bool {
	if k < 0 {
		return false
	}
	for v := range p.g.distinct(&p.g.slots[k]) {
		if v != "" && massSymbol(v, a) {
			return true
		}
	}
	return false
}

// present counts the lines that have something in a slot.
func (g *grid) present(s *slot) (n int) {
	for _, v := range s.vals {
		if !v.empty() {
			n++
		}
	}
	return n
}

// values are the numbers of a slot, of the lines that have one.
func (g *grid) values(s *slot) (all [][]byte) {
	for i := range s.vals {
		if v := g.value(s, i); len(v) > 0 {
			all = append(all, v)
		}
	}
	return all
}

// chooseWeight finds which number is the weight, or says why that would be a guess.
func (p *plan) chooseWeight(a *Answers, c *context) *refusal {
	var numbers, mass, near, decimals []int
	for i := range p.g.slots {
		s := &p.g.slots[i]
		if s.kind != tokNumber {
			continue
		}
		numbers = append(numbers, i)
		switch {
		case notWeight(p.labelled(i)) && !hasDecimals(p.g.values(s)), p.unitBetween(i):
		case p.isMass(p.nearUnit(i), a):
			near, mass = append(near, i), append(mass, i)
		case p.isMass(p.unitSlot(i), a):
			mass = append(mass, i)
		case p.g.isMeasure(s) && hasDecimals(p.g.values(s)):
			decimals = append(decimals, i)
		}
	}
	if len(numbers) == 0 || p.hiddenMeasure() && !p.anyDecimals(numbers) {
		return &refusal{why: "the lines hold no number that could be a weight"}
	}
	if a.Number > 0 {
		if a.Number > len(numbers) {
			return &refusal{why: fmt.Sprintf("number %d of the line is said to be the weight, and the lines have %d", a.Number, len(numbers))}
		}
		p.weight = numbers[a.Number-1]
		p.kindOfChosen(numbers)
		return nil
	}
	if found, said := p.byDisplay(numbers, c); said {
		if len(found) == 1 {
			p.weight = found[0]
			p.shown = true
			p.reasons = append(p.reasons, "the weight is the number that the display showed")
			p.kindOfChosen(numbers)
			return nil
		}
		if len(found) > 1 {
			mass = slices.DeleteFunc(mass, func(i int) bool { return !slices.Contains(found, i) })
		}
	}
	mass = p.ownUnits(mass)
	choice := mass
	if len(near) > 0 && len(near) < len(mass) && len(c.display)+len(c.anyShow) == 0 {
		choice = near
	}
	if len(choice) == 0 {
		choice = decimals
	}
	if len(choice) == 0 {
		choice = numbers
	}
	if no := p.chooseAmong(choice, numbers, a); no != nil {
		return no
	}
	return p.overlooked(numbers)
}

// ownUnits drops of two numbers with one unit between them the one that counts or looks like a name, where the other does not.
func (p *plan) ownUnits(mass []int) []int {
	name := func(i int) bool {
		s := &p.g.slots[i]
		return !hasDecimals(p.g.values(s)) && (p.counts(s) || p.g.climbs(s) || idLike(p.g.example(i)) || len(p.g.distinct(s)) == 1)
	}
	return slices.DeleteFunc(slices.Clone(mass), func(i int) bool {
		return name(i) && slices.ContainsFunc(mass, func(o int) bool { return o != i && p.unitSlot(o) == p.unitSlot(i) && !name(o) }) ||
			name(i) && p.unitSlot(i) >= 0 && p.claimed(i, name)
	})
}

// claimed says that another number stands on the other side of number i's unit and is no name.
func (p *plan) claimed(i int, name func(int) bool) bool {
	u := p.unitSlot(i)
	for step, k := 1, u+1; k < len(p.g.slots) && step <= 2 && u > i; step, k = step+1, k+1 {
		if p.g.slots[k].kind == tokNumber {
			return !name(k)
		}
		if !p.g.separates(&p.g.slots[k]) {
			return false
		}
	}
	return false
}

// overlooked refuses a weight without decimals beside an unexplained number with decimals.
func (p *plan) overlooked(numbers []int) *refusal {
	if hasDecimals(p.g.values(&p.g.slots[p.weight])) {
		return nil
	}
	i := p.unitSlot(p.weight) + 1
	if i < len(p.g.slots) && p.g.separates(&p.g.slots[i]) {
		i++
	}
	if i < len(p.g.slots) && i > p.weight+1 && (slices.Contains(numbers, i) && p.rivals(p.weight, i) || p.g.digitText(i)) {
		return &refusal{why: fmt.Sprintf("the unit stands between “%s” and “%s”, and either may be the weight: say what the display showed", p.g.example(p.weight), p.g.example(i)),
			questions: []Question{p.numberQuestion([]int{p.weight, i}, numbers), p.displayQuestion()}}
	}
	if u := p.unitSlot(p.weight); u > 0 && u < p.weight && p.single(p.weight) && (p.g.slots[u-1].kind == tokNumber || p.g.digitText(u-1)) {
		return &refusal{why: fmt.Sprintf("the unit stands between “%s” and “%s”, and either may be the weight: say what the display showed", p.g.example(u-1), p.g.example(p.weight)),
			questions: []Question{p.displayQuestion()}}
	}
	for _, i := range numbers {
		if i != p.weight && p.single(p.weight) && p.rivals(p.weight, i) {
			return &refusal{why: fmt.Sprintf("the weight may be “%s” or “%s”: say what the display showed", p.g.example(p.weight), p.g.example(i)),
				questions: []Question{p.numberQuestion([]int{p.weight, i}, numbers), p.displayQuestion()}}
		}
	}
	if w := &p.g.slots[p.weight]; p.unitSlot(p.weight) < 0 && (p.counts(w) || p.g.climbs(w)) {
		return &refusal{why: fmt.Sprintf("the one number that may be the weight, “%s”, goes up by one from line to line, as a counter does: say what the display showed", p.g.example(p.weight)),
			questions: []Question{p.displayQuestion()}}
	}
	if p.uneven() {
		return &refusal{why: fmt.Sprintf("some numbers have a zero in front and are shorter than others, such as “%s”: they may be more than the weight; say what the display showed", p.g.example(p.weight)),
			questions: []Question{p.displayQuestion()}}
	}
	for _, i := range numbers {
		if i != p.weight && hasDecimals(p.g.values(&p.g.slots[i])) && p.unitBehind(i) < 0 && p.labelled(i) == "" {
			return &refusal{why: fmt.Sprintf("the weight may be “%s” or “%s”: say what the display showed", p.g.example(p.weight), p.g.example(i)),
				questions: []Question{p.numberQuestion([]int{p.weight, i}, numbers), p.displayQuestion()}}
		}
	}
	return nil
}

// hiddenMeasure says that a slot has numbers with decimals in most lines and something else in some: a weight, and what is
// printed in its place.
func (p *plan) hiddenMeasure() bool {
	for i := range p.g.slots {
		if s := &p.g.slots[i]; s.kind == tokWord && p.g.measures(s) {
			return true
		}
	}
	return false
}

// measures says that a slot has numbers with decimals in most lines.
func (g *grid) measures(s *slot) bool {
	n := 0
	for k := range s.vals {
		if v := trimSigns(g.value(s, k)); len(v) > 0 && decimalAt(v) > 0 && numberLength(v) == len(v) {
			n++
		}
	}
	return n*2 > len(s.vals)
}

// anyDecimals says that one of the numbers has decimals.
func (p *plan) anyDecimals(numbers []int) bool {
	return slices.ContainsFunc(numbers, func(i int) bool { return hasDecimals(p.g.values(&p.g.slots[i])) })
}

// notWeight says that a label names something that is no weight.
func notWeight(label string) bool {
	return label == "sample" || label == "person" || label == "balance" || label == "counter" || label == "range"
}

// unitBetween says that the unit behind number i belongs to the number after it: number i has no decimals and looks like a
// name, or never changes, and the next number has neither.
func (p *plan) unitBetween(i int) bool {
	u := p.unitBehind(i)
	if u >= 0 && u+1 < len(p.g.slots) && p.g.measures(&p.g.slots[u+1]) && !hasDecimals(p.g.values(&p.g.slots[i])) {
		return true
	}
	if u < 0 || u+1 >= len(p.g.slots) || p.g.slots[u+1].kind != tokNumber || p.unitBehind(u+1) >= 0 {
		return false
	}
	s := &p.g.slots[i]
	if hasDecimals(p.g.values(s)) {
		return false
	}
	if hasDecimals(p.g.values(&p.g.slots[u+1])) {
		return true
	}
	next := p.g.distinct(&p.g.slots[u+1])
	return len(p.g.distinct(s)) == 1 && len(next) > 1 || p.counts(s) || idLike(p.g.example(i))
}

// kindOfChosen takes the kind from the word beside the number that a person chose, where words stand beside several numbers.
func (p *plan) kindOfChosen(numbers []int) {
	words := 0
	for _, i := range numbers {
		if p.kindBeside(i) != "" {
			words++
		}
	}
	if words > 1 {
		p.means.kind = p.kindBeside(p.weight)
	}
}

// digitText says that a slot of words begins with digits in most lines: a number that was not understood.
func (g *grid) digitText(i int) bool {
	s := &g.slots[i]
	if s.kind != tokWord {
		return false
	}
	n := 0
	for k := range s.vals {
		if v := trimSigns(g.value(s, k)); len(v) > 0 && digitRun(v) > 0 && letters(string(v)) == 0 {
			n++
		}
	}
	return n*2 > len(s.vals)
}

// single says that a slot has single digits in all lines, a few different ones.
func (p *plan) single(i int) bool {
	counts := p.g.distinct(&p.g.slots[i])
	for v := range counts {
		if len(trimSigns([]byte(v))) > 1 {
			return false
		}
	}
	return len(counts) <= 4
}

// rivals says that whole numbers stand on both sides of one unit, and the second could be a weight as well as the first.
func (p *plan) rivals(first, second int) bool {
	s := &p.g.slots[second]
	if p.unitBehind(second) >= 0 || p.labelled(second) != "" || p.counts(s) || p.g.climbs(s) || len(p.g.distinct(s)) == 1 || idLike(p.g.example(second)) {
		return false
	}
	longest := func(i int) (n int) {
		for _, v := range p.g.values(&p.g.slots[i]) {
			n = max(n, digitRun(trimSigns(v)))
		}
		return n
	}
	return longest(second) > 1 || longest(first) == 1
}

// uneven says that some whole numbers begin with a zero and not all are as long: zeros fill up to a width, and here they do not.
func (p *plan) uneven() bool {
	zero, lengths := false, map[int]bool{}
	for _, v := range p.g.values(&p.g.slots[p.weight]) {
		w := trimSigns(v)
		zero = zero || len(w) > 1 && w[0] == '0' && isDigit(w[1])
		lengths[digitRun(w)] = true
	}
	return zero && len(lengths) > 1
}

func hasDecimals(values [][]byte) bool {
	for _, v := range values {
		if decimalAt(trimSigns(v)) > 0 {
			return true
		}
	}
	return false
}

// byDisplay lists the numbers that show what the display showed. said is false where nobody told anything of these lines.
func (p *plan) byDisplay(numbers []int, c *context) (found []int, said bool) {
	for _, i := range numbers {
		s, fits, told := &p.g.slots[i], true, false
		for k := range s.vals {
			if want, ok := c.display[p.g.index[k]]; ok {
				told = true
				fits = fits && shows(p.g.value(s, k), want)
			}
		}
		for _, want := range c.anyShow {
			told = true
			fits = fits && slices.ContainsFunc(p.g.values(s), func(v []byte) bool { return shows(v, want) })
		}
		said = said || told
		if told && fits {
			found = append(found, i)
		}
	}
	return found, said
}

// shows says that a printed number in one of the ways of writing is what the display showed.
func shows(printed []byte, want shown) bool {
	for _, st := range styles([][]byte{printed}, false) {
		if d, ok := st.read(printed); ok && bare(d.String()) == bare(want.digits) {
			return true
		}
	}
	return false
}

// chooseAmong takes the one number that can be the weight, or the net weight of several that are told apart by words.
func (p *plan) chooseAmong(choice, numbers []int, a *Answers) *refusal {
	if len(choice) == 1 {
		p.weight = choice[0]
		return nil
	}
	byKind := map[string][]int{}
	for _, i := range choice {
		k := p.kindBeside(i)
		byKind[k] = append(byKind[k], i)
	}
	for _, kind := range []string{"net", "gross"} {
		if len(byKind[kind]) == 1 && len(byKind[""]) == 0 {
			p.weight = byKind[kind][0]
			p.means.kind = kind
			p.reasons = append(p.reasons, fmt.Sprintf("of several weights in the line the one called %s is taken", kind))
			return nil
		}
	}
	if k, ok := p.byArithmetic(choice); ok {
		p.weight = k
		p.means.kind = "net"
		p.reasons = append(p.reasons, "of the weights in the line one is always the sum of two others: gross = net + tare")
		return nil
	}
	return &refusal{
		why:       fmt.Sprintf("each line holds %d numbers that could be the weight, and nothing in the bytes says which: say what the display showed for one of the lines", len(choice)),
		questions: []Question{p.numberQuestion(choice, numbers), p.displayQuestion()},
	}
}

func (p *plan) displayQuestion() Question {
	n := p.g.index[len(p.g.index)-1] + 1
	return Question{Key: fmt.Sprintf("display:%d", n), Frame: n, Text: fmt.Sprintf("What did the display show when line %d was printed?", n)}
}

func (p *plan) numberQuestion(choice, numbers []int) Question {
	q := Question{Key: "number", Text: "Which number of the line is the weight?"}
	last := len(p.g.lines) - 1
	for _, i := range choice {
		n := slices.Index(numbers, i) + 1
		q.Choices = append(q.Choices, Choice{Value: fmt.Sprint(n), Text: fmt.Sprintf("number %d of the line, %q in the last one", n, p.g.value(&p.g.slots[i], last))})
	}
	return q
}

// kindBeside is the kind that a word right before number i, or behind its unit, says, or "".
func (p *plan) kindBeside(i int) string {
	for k := i - 1; k >= 0 && k >= i-3; k-- {
		if kind := p.kindAt(k); kind != "" {
			return kind
		}
		if p.g.slots[k].kind == tokNumber {
			break
		}
	}
	for k := i + 1; k < len(p.g.slots) && k <= i+3; k++ {
		if p.g.slots[k].kind == tokNumber {
			break
		}
		// Behind a number only where the line begins with a number: otherwise the word belongs to the next one, as it does
		// where the last number has no word behind it.
		if kind := p.kindAt(k); kind != "" && p.firstIsNumber() && (p.numberAfter(k) < 0 || p.wordAfterLast()) {
			return kind
		}
	}
	return ""
}

// numberAfter is the slot of the next number behind slot k, or -1.
func (p *plan) numberAfter(k int) int {
	for k++; k < len(p.g.slots); k++ {
		if p.g.slots[k].kind == tokNumber {
			return k
		}
	}
	return -1
}

// wordAfterLast says that a word of the kind stands behind the last number of the line.
func (p *plan) wordAfterLast() bool {
	for k := len(p.g.slots) - 1; k >= 0 && p.g.slots[k].kind != tokNumber; k-- {
		if p.kindAt(k) != "" {
			return true
		}
	}
	return false
}

// kindAt is the kind that the words of slot k say, all of them the same, or "".
func (p *plan) kindAt(k int) string {
	if k < 0 || k >= len(p.g.slots) || p.g.unitsOnly(&p.g.slots[k]) {
		return ""
	}
	found := ""
	for v := range p.g.distinct(&p.g.slots[k]) {
		m, ok := tradeWord(v)
		if !ok {
			m, ok = shortWord(v)
		}
		if !ok || m.field != "kind" || found != "" {
			return ""
		}
		found = m.value
	}
	return found
}

func (p *plan) firstIsNumber() bool {
	for i := range p.g.slots {
		switch p.g.slots[i].kind {
		case tokNumber:
			return true
		case tokWord:
			return false
		}
	}
	return false
}

// byArithmetic finds the net weight of three numbers where one is the sum of the other two in every line, and one of those
// two stays the same while the other changes: the tare.
func (p *plan) byArithmetic(choice []int) (net int, ok bool) {
	if len(choice) != 3 {
		return 0, false
	}
	for k := range 3 {
		sum, x, y := choice[k], choice[(k+1)%3], choice[(k+2)%3]
		if !p.adds(sum, x, y) {
			continue
		}
		cx, cy := len(p.g.distinct(&p.g.slots[x])) == 1, len(p.g.distinct(&p.g.slots[y])) == 1
		switch {
		case cx && !cy:
			return y, true
		case cy && !cx:
			return x, true
		}
	}
	return 0, false
}

// adds says that sum = x + y in every line, and not because one of them is always nothing.
func (p *plan) adds(sum, x, y int) bool {
	all := append(append(p.g.values(&p.g.slots[sum]), p.g.values(&p.g.slots[x])...), p.g.values(&p.g.slots[y])...)
	ways := styles(all, false)
	if len(ways) == 0 {
		return false
	}
	st, zero := ways[0], true
	for i := range p.g.lines {
		s, ok1 := st.read(p.g.value(&p.g.slots[sum], i))
		u, ok2 := st.read(p.g.value(&p.g.slots[x], i))
		v, ok3 := st.read(p.g.value(&p.g.slots[y], i))
		if !ok1 || !ok2 || !ok3 {
			return false
		}
		rs, ru, rv := s.Rat(), u.Rat(), v.Rat()
		zero = zero && (ru.Sign() == 0 || rv.Sign() == 0)
		if ru.Add(ru, rv).Cmp(rs) != 0 {
			return false
		}
	}
	return !zero
}

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

// climbs says that the digits of a slot go up from line to line, as a counter's do.
func (g *grid) climbs(s *slot) bool {
	ups := 0
	for k := 1; k < len(s.vals); k++ {
		a, b := g.value(s, k-1), g.value(s, k)
		if digitRun(a) != len(a) || digitRun(b) != len(b) || len(a) == 0 || len(b) == 0 || len(b) > 9 || len(a) > 9 {
			return false
		}
		switch d := number(b) - number(a); {
		case d == 1:
			ups++
		case d != 0:
			return false
		}
	}
	return ups >= 3
}

// example is the text of a slot in the last line that has it.
func (g *grid) example(i int) (v string) {
	for k := range g.lines {
		if t := g.text(&g.slots[i], k); t != "" {
			v = t
		}
	}
	return v
}

// chooseStyle settles the decimal sign and the grouping of the weight, or says why that would be a guess.
func (p *plan) chooseStyle(a *Answers, c *context) *refusal {
	s := &p.g.slots[p.weight]
	values := p.g.values(s)
	ways := styles(values, s.trailing)
	if a.Decimal != "" {
		want := map[string]byte{"point": '.', "comma": ','}[a.Decimal]
		ways = slices.DeleteFunc(ways, func(st style) bool { return st.decimal != want && (st.anyPoint || st.group == want) })
	}
	ways = slices.DeleteFunc(ways, func(st style) bool { return !p.shownSo(&st, c) })
	if len(ways) == 0 {
		return &refusal{why: "the numbers of the lines are not written in one way, or not as the answers say"}
	}
	p.style = ways[0]
	defer func() { p.style.usual(values, p.unitsOf(s)) }()
	ways = slices.DeleteFunc(ways, func(st style) bool { return st.decimal != ways[0].decimal && st.agree(&ways[0], values) })
	if len(ways) == 1 || a.Decimal != "" || len(c.anyShow)+len(c.display) > 0 && p.tellsApart(ways, c) {
		return nil
	}
	return p.settleStyle(values, ways, c)
}

// sameUnit keeps the values whose unit most lines have: grams and pieces are written in ways of their own.
func (p *plan) sameUnit(values [][]byte) (same [][]byte) {
	units := p.unitsOf(&p.g.slots[p.weight])
	counts := map[string]int{}
	for _, u := range units {
		counts[u]++
	}
	most := ""
	for _, u := range sorted(counts) {
		mass, before := massSymbol(u, &Answers{}), massSymbol(most, &Answers{})
		if most == "" || mass && !before || counts[u] > counts[most] && mass == before {
			most = u
		}
	}
	for i, v := range values {
		if units[i] == most {
			same = append(same, v)
		}
	}
	return same
}

// unitsOf gives the printed unit of each line that has a number in slot s.
func (p *plan) unitsOf(s *slot) (units []string) {
	u := p.unitSlot(p.weight)
	for k := range s.vals {
		if len(p.g.value(s, k)) == 0 {
			continue
		}
		if u < 0 {
			units = append(units, "")
		} else {
			units = append(units, p.g.text(&p.g.slots[u], k))
		}
	}
	return units
}

// settleStyle decides between several ways of reading the same digits, where the numbers themselves decide.
func (p *plan) settleStyle(values [][]byte, ways []style, c *context) *refusal {
	pick := func(decimal byte) {
		for _, st := range ways {
			if st.decimal == decimal {
				p.style = st
				return
			}
		}
	}
	grouping := func(sign byte) {
		for _, st := range ways {
			if st.group == sign {
				p.style = st
				return
			}
		}
	}
	values = p.sameUnit(values)
	switch {
	case onlyThrees(values, ','):
		if !c.comma {
			return p.commaRefusal(values)
		}
		pick(',')
		p.doubt("decimal", "the comma is taken for the decimal sign, since the sample's other numbers or words speak for that; if it groups digits, every weight is a thousand times larger")
	case onlyThrees(values, '.'):
		pick('.')
	case mixedThrees(values, ',') && !p.oneWithout(values, ','):
		grouping(',')
	case mixedThrees(values, ','):
		return p.commaRefusal(values)
	case mixedThrees(values, '.'):
		return p.commaRefusal(values)
	}
	for _, st := range ways {
		if !st.agree(&p.style, values) && st.decimal != p.style.decimal && p.style.decimal == ways[0].decimal && !onlyThrees(values, '.') && !mixedThrees(values, ',') {
			return p.commaRefusal(values)
		}
	}
	return nil
}

// oneWithout says that one number only is without the sign: it may be the rest of a cut line.
func (p *plan) oneWithout(values [][]byte, sign byte) bool {
	n := 0
	for _, v := range values {
		if bytes.IndexByte(v, sign) < 0 {
			n++
		}
	}
	return n < 2
}

func (p *plan) commaRefusal(values [][]byte) *refusal {
	v := values[0]
	return &refusal{
		why: fmt.Sprintf("in %q the sign may begin the decimals or group the digits by thousands, and no line of the sample shows which: say what the display showed", v),
		questions: []Question{{Key: "decimal", Text: fmt.Sprintf("What begins the decimals? The sample's weights are written like %q.", v),
			Choices: []Choice{{"comma", "a comma begins the decimals"}, {"point", "a point begins the decimals; a comma groups the digits"}}}, p.displayQuestion()},
	}
}

// shownSo says that the style reads what the displays showed.
func (p *plan) shownSo(st *style, c *context) bool {
	s := &p.g.slots[p.weight]
	for k := range s.vals {
		if want, ok := c.display[p.g.index[k]]; ok {
			if d, fine := st.read(p.g.value(s, k)); !fine || bare(d.String()) != bare(want.digits) {
				return false
			}
		}
	}
	for _, want := range c.anyShow {
		if !slices.ContainsFunc(p.g.values(s), func(v []byte) bool {
			d, ok := st.read(v)
			return ok && bare(d.String()) == bare(want.digits)
		}) {
			return false
		}
	}
	return true
}

// tellsApart says that what the displays showed leaves the styles with one reading.
func (p *plan) tellsApart(ways []style, c *context) bool {
	for _, st := range ways[1:] {
		if st.decimal != ways[0].decimal {
			return false
		}
	}
	return true
}

// unitNamed says that the key is a unit's.
func unitNamed(key string) bool {
	_, ok := unit.Named(key)
	return ok
}
