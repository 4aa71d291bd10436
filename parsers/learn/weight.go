package learn

import (
	"fmt"
	"slices"
)

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

// anyDecimals says that one of the numbers has decimals.
func (p *plan) anyDecimals(numbers []int) bool {
	return slices.ContainsFunc(numbers, func(i int) bool { return hasDecimals(p.g.values(&p.g.slots[i])) })
}

// notWeight says that a label names something that is no weight.
func notWeight(label string) bool {
	return label == "sample" || label == "person" || label == "balance" || label == "counter" || label == "range"
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
