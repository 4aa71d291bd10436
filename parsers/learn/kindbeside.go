package learn

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
