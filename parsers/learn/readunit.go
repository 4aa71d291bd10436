package learn

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/unit"
)

// readUnit finds the unit of the weight and settles what its symbols mean.
func (p *plan) readUnit(a *Answers, c *context) *refusal {
	p.unit = p.unitSlot(p.weight)
	if p.unit >= 0 && !p.isMass(p.unit, a) && !p.countsOnly(p.unit, a) {
		p.unit = -1
	}
	if p.unit < 0 {
		p.unit = p.unitApart(a)
	}
	if p.unit < 0 {
		return p.noUnit(a, c)
	}
	s := &p.g.slots[p.unit]
	p.roles[p.unit].field = "unit"
	counts := p.g.distinct(s)
	for _, v := range sorted(counts) {
		if v == "" {
			continue
		}
		switch word, ok := p.unitSettled(v, a, c); {
		case ok && word != "":
			p.unitWords[v] = word
		case isMicro(v):
		case !ok:
			p.ask(p.unitQuestion(v))
			p.doubt("unit:"+v, "the unit %q can mean several things; until somebody says which, its lines are refused", v)
		}
	}
	if no := p.grownLetter(counts, a); no != nil {
		return no
	}
	if no := p.unitsOpen(counts, a, c); no != nil {
		return no
	}
	if counts[""] > 0 {
		p.missingUnits(counts)
	}
	return nil
}

// unitApart is the one unit of mass of a line that stands by itself behind a label of its own, as in w=12.345;u=g, or -1. It
// is the weight's where no other number has decimals.
func (p *plan) unitApart(a *Answers) int {
	found := -1
	for k := range p.g.slots {
		s := &p.g.slots[k]
		if k != p.weight && s.kind == tokNumber && hasDecimals(p.g.values(s)) {
			return -1
		}
		if k == 0 || !p.isUnit(k) || p.announces(k) || k+1 < len(p.g.slots) && p.g.example(k+1) == `"` && p.announces(k+1) ||
			!strings.Contains(`:="`, p.g.example(k-1)) {
			continue
		}
		for v := range p.g.distinct(s) {
			if u, _, ok := unitOf(v, a); !ok || !u.IsMass() {
				return -1
			}
		}
		if found >= 0 {
			return -1
		}
		found = k
	}
	if found >= 0 {
		p.doubt("", "the unit %q stands apart from the weight in the line, and is taken for its unit", p.g.example(found))
	}
	return found
}

// grownLetter refuses grams beside another unit that ends with g where both are printed with as many decimals: the letter before
// may be a mark and no part of the unit.
func (p *plan) grownLetter(counts map[string]int, a *Answers) *refusal {
	if counts["g"] == 0 || len(p.style.scales) != 1 {
		return nil
	}
	for _, v := range sorted(counts) {
		if len(v) == 2 && v[1] == 'g' && a.Words[v] == "" {
			return &refusal{why: fmt.Sprintf("%q and \"g\" are printed with as many decimals: the letter may be a mark and no part of the unit; say which unit it is", v),
				questions: []Question{{Key: "unit:" + v, Text: fmt.Sprintf("Which unit does %q stand for?", v)}}}
		}
	}
	return nil
}

// unitSettled says whether it is known which unit a printed symbol is, and the word for it that a layout then needs, if any.
func (p *plan) unitSettled(v string, a *Answers, c *context) (word string, ok bool) {
	if _, word, ok = unitOf(v, a); !ok {
		word, ok = p.unitByDisplay(v, c)
	}
	return word, ok
}

// unitsOpen refuses where not one of the printed symbols is settled.
func (p *plan) unitsOpen(counts map[string]int, a *Answers, c *context) *refusal {
	no := &refusal{}
	for _, v := range sorted(counts) {
		if v == "" {
			continue
		}
		if _, ok := p.unitSettled(v, a, c); ok || isMicro(v) {
			return nil
		}
		no.questions = append(no.questions, p.unitQuestion(v))
		no.why = fmt.Sprintf("the unit %q means different things to different people%s: say which it is", v, unitNames(ambiguousUnit(v)))
	}
	if no.why == "" {
		return nil
	}
	return no
}

// unitNames lists units for a sentence.
func unitNames(all []unit.Unit) string {
	var names []string
	for _, u := range all {
		names = append(names, u.Name)
	}
	if len(names) < 2 {
		return ""
	}
	return " (" + strings.Join(names, " or ") + ")"
}

// countsOnly says that the symbols are known units, such as pieces.
func (p *plan) countsOnly(k int, a *Answers) bool {
	for v := range p.g.distinct(&p.g.slots[k]) {
		if _, _, ok := unitOf(v, a); v != "" && !ok {
			return false
		}
	}
	return true
}

// unitByDisplay takes the meaning of a symbol from a display that named the unit otherwise: oz shown as ozt, G as g.
func (p *plan) unitByDisplay(symbol string, c *context) (key string, ok bool) {
	find := func(want shown) bool {
		if want.unit == letterG && symbol == letterG {
			key, ok = "kg", true // the letter is a part of the unit
			return true
		}
		if want.unit == "" || want.unit == symbol {
			return false
		}
		shownUnit, _, known := unitOf(want.unit, &Answers{})
		if !known || !couldMean(symbol, shownUnit.Key()) {
			return false
		}
		key, ok = shownUnit.Key(), true
		return true
	}
	for k := range p.g.lines {
		if want, told := c.display[p.g.index[k]]; told && p.g.text(&p.g.slots[p.unit], k) == symbol && find(want) {
			return
		}
	}
	for _, want := range c.anyShow {
		for k := range p.g.lines {
			if p.g.text(&p.g.slots[p.unit], k) == symbol && shows(p.g.value(&p.g.slots[p.weight], k), want) && find(want) {
				return
			}
		}
	}
	return "", false
}

// couldMean says that a symbol can stand for a unit: one of its known meanings, or the same letters.
func couldMean(symbol, key string) bool {
	for _, u := range ambiguousUnit(symbol) {
		if u.Key() == key {
			return true
		}
	}
	return strings.EqualFold(symbol, key)
}

func (p *plan) unitQuestion(symbol string) Question {
	q := Question{Key: "unit:" + symbol, Text: fmt.Sprintf("Which unit does %q stand for?", symbol)}
	for _, u := range ambiguousUnit(symbol) {
		q.Choices = append(q.Choices, Choice{Value: u.Key(), Text: u.Name})
	}
	return q
}

// missingUnits takes lines without a unit for such whose weight was not stable, as balances that leave the unit out mean it,
// unless the weights say the contrary.
func (p *plan) missingUnits(counts map[string]int) {
	ev := p.movement(func(k int) string {
		if len(p.g.value(&p.g.slots[p.unit], k)) == 0 {
			return "without"
		}
		return "with"
	})
	with := len(p.g.lines) - counts[""]
	if ev.stable != "with" && (with < 2 || counts[""] < 2 || counts[""] > 3*with) && !(p.g.length > 0 && with >= 3) {
		p.doubt("", "lines without unit are refused: they are too few to show what that means")
		return
	}
	if p.block || !p.unitAlone() {
		return
	}
	p.unitMissing = true
	key := ""
	for v := range counts {
		if v == "" {
			continue
		}
		u, _, ok := unitOf(v, &Answers{Words: p.unitWords})
		if !ok || key != "" && key != u.Key() {
			key = "several"
			break
		}
		key = u.Key()
	}
	switch {
	case key == "several" || key == "":
		p.doubt("", "lines without unit are refused, since the sample shows more than one unit")
	default:
		p.missingUnit = key
	}
	if ev.stable == "with" {
		p.reasons = append(p.reasons, "the unit is missing while the weight still moves")
		return
	}
	p.doubt("settled", "the unit is missing in %d lines; that is taken to mean that the weight was not stable, as is usual, and the sample does not prove it", counts[""])
	p.unsure = true
}

// unitAlone says that the lines without a unit have all that every line with one has, and nothing more.
func (p *plan) unitAlone() bool {
	u := &p.g.slots[p.unit]
	for i := range p.g.slots {
		if i == p.unit {
			continue
		}
		s := &p.g.slots[i]
		with, without, have, total := 0, 0, 0, 0
		for k := range s.vals {
			if u.vals[k].empty() {
				total++
				if !s.vals[k].empty() {
					without++
				}
				continue
			}
			have++
			if !s.vals[k].empty() {
				with++
			}
		}
		if with == have && without < total || with == 0 && without > 0 {
			return false
		}
	}
	return true
}

// noUnit settles the unit of a balance that prints none.
func (p *plan) noUnit(a *Answers, c *context) *refusal {
	key := a.Unit
	if key == "" {
		for _, want := range c.shownUnits() {
			if u, _, ok := unitOf(want, a); ok && u.IsMass() { // pieces are counted beside weighing
				key = u.Key()
			}
		}
	}
	if v := p.otherUnits(); v != "" {
		return &refusal{why: fmt.Sprintf("a unit stands in the text “%s” of some lines, and others have another or none: no one unit is that of all lines", v), questions: []Question{p.displayQuestion()}}
	}
	if key != "" {
		p.unitAlways = key
		return nil
	}
	q := Question{Key: "unit", Text: "The lines show no unit. In which unit does the balance weigh?",
		Choices: []Choice{{"g", "gram"}, {"mg", "milligram"}, {"kg", "kilogram"}, {"[oz_tr]", "troy ounce"}, {"[oz_av]", "ounce avoirdupois"}, {"[lb_av]", "pound"}, {"[car_m]", "carat"}}}
	return &refusal{why: "the lines show no unit that is known, and a number without a unit is no weighing: say which unit the balance weighs in", questions: []Question{q}}
}

// otherUnits is a text beside the weight that ends with the symbol of a unit as a word of its own, where not all lines have
// the same one there.
func (p *plan) otherUnits() string {
	for _, i := range []int{p.weight - 1, p.weight + 1} {
		if i < 0 || i >= len(p.g.slots) || p.g.slots[i].kind != tokWord {
			continue
		}
		found, units := "", map[string]bool{}
		for v := range p.g.distinct(&p.g.slots[i]) {
			last := v[strings.LastIndexByte(v, ' ')+1:]
			if glued := gluedUnit(v); glued != "" {
				last, found = glued, v
			} else if last == v || !unitLike(last) {
				last = ""
			} else {
				found = v
			}
			units[last] = true
		}
		if found != "" && len(units) > 1 {
			return found
		}
	}
	return ""
}

// gluedUnit is the unit of grams that a mark of one or two characters is printed against: Xmg, Xg.
func gluedUnit(v string) string {
	for _, u := range []string{"kg", "mg", "ug", "ng", "g"} {
		if w, ok := strings.CutSuffix(v, u); ok && len(w) > 0 && len(w) < 3 {
			return u
		}
	}
	return ""
}

// shownUnits are the units that displays showed.
func (c *context) shownUnits() (all []string) {
	for _, want := range c.display {
		if want.unit != "" {
			all = append(all, want.unit)
		}
	}
	for _, want := range c.anyShow {
		if want.unit != "" {
			all = append(all, want.unit)
		}
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func sorted[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
