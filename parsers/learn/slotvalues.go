package learn

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

func hasDecimals(values [][]byte) bool {
	for _, v := range values {
		if decimalAt(trimSigns(v)) > 0 {
			return true
		}
	}
	return false
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
