package learn

import "slices"

// mergeCells joins the words between two separators, or behind a label, to one text: they are parts of a name, such as
// "RYE 12". A number with decimals, a unit, a date, and words that the trade knows stay by themselves.
func (g *grid) mergeCells() {
	for i := 0; i < len(g.slots); {
		j := i
		for j < len(g.slots) && !g.separates(&g.slots[j]) {
			j++
		}
		from := i
		if i > 0 && !g.announced(i) {
			for from < j && len(g.distinct(&g.slots[from])) == 1 {
				from++ // a label without a colon
			}
		}
		if j == len(g.slots) && j > from+1 && g.endMark(j-1) {
			j--
		}
		if j-from >= 2 && g.isName(from, j) {
			for range j - from - 1 {
				g.join(from, tokWord)
			}
			j = from + 1
		}
		i = j + 1
	}
}

// separates says that a slot is the same separating mark in every line.
func (g *grid) separates(s *slot) bool {
	v := g.example(slices.IndexFunc(g.slots, func(o slot) bool { return &o.vals[0] == &s.vals[0] }))
	if s.kind != tokMark || v == "" || len(g.distinct(s)) != 1 {
		return false
	}
	switch v[0] {
	case ',', ';', '|', '\t', ':', '=':
		return true
	}
	return false
}

// isName says that the slots i … j can be one name.
func (g *grid) isName(i, j int) bool {
	labelled := i > 0 && g.announced(i)
	if !labelled && !(g.cellular() && i > 0) {
		return false
	}
	varies := false
	for k := i; k < j; k++ {
		s := &g.slots[k]
		if s.kind == tokDate || s.kind == tokTime || g.isMeasure(s) || g.unitsOnly(s) || s.detached || s.kind == tokMark && !g.inName(s) {
			return false
		}
		for v := range g.distinct(s) {
			if _, known := tradeWord(v); known {
				return false
			}
		}
		varies = varies || len(g.distinct(s)) > 1
		if k+1 < j && !g.close(s, &g.slots[k+1]) {
			return false
		}
	}
	return varies || labelled
}

// close says that one blank or none stands between two slots wherever both are there.
func (g *grid) close(l, r *slot) bool {
	for i := range l.vals {
		if !l.vals[i].empty() && !r.vals[i].empty() && r.vals[i].from-l.vals[i].to > 1 {
			return false
		}
	}
	return true
}

// inName says that a mark can be part of a name.
func (g *grid) inName(s *slot) bool {
	for v := range g.distinct(s) {
		if v != "" && v != "/" && v != "-" && v != "." && v != "&" && v != "_" && v != "#" {
			return false
		}
	}
	return true
}

// announced says that the slot before i is a colon or an equals sign behind a label.
func (g *grid) announced(i int) bool {
	v := g.example(i - 1)
	return v != "" && (v[0] == ':' || v[0] == '=')
}

// cellular says that the lines have two separators or more.
func (g *grid) cellular() bool {
	n := 0
	for i := range g.slots {
		if v := g.example(i); g.separates(&g.slots[i]) && v[0] != ':' && v[0] != '=' {
			n++
		}
	}
	return n >= 2
}

// splitUnits cuts a mark off the unit that it is printed against, behind a number: "mgR" and "mgM".
func (g *grid) splitUnits() {
	for i := 1; i < len(g.slots); i++ {
		s := &g.slots[i]
		if s.kind != tokWord || g.slots[i-1].kind != tokNumber || g.unitsOnly(s) {
			continue
		}
		n := g.unitPrefix(s)
		if n == 0 {
			continue
		}
		u := slot{kind: tokWord, a: s.a, b: s.a + n, vals: slices.Clone(s.vals)}
		rest := *s
		rest.a, rest.vals = s.a+n, slices.Clone(s.vals)
		for k := range s.vals {
			if !s.vals[k].empty() {
				u.vals[k].to = s.vals[k].from + n
				rest.vals[k].from = s.vals[k].from + n
			}
		}
		g.slots = slices.Replace(g.slots, i, i+1, u, rest)
	}
}

// unitPrefix is the length of the unit that all values of a slot begin with, where one or two letters follow that are not
// always the same.
func (g *grid) unitPrefix(s *slot) int {
	for _, u := range []string{"mg", "kg", "ug", "ng", "ozt", "g", "t"} {
		fits, rests := true, map[string]bool{}
		for v := range g.distinct(s) {
			if v == "" {
				continue
			}
			fits = fits && len(v) > len(u) && len(v) <= len(u)+2 && v[:len(u)] == u
			if fits {
				rests[v[len(u):]] = true
			}
		}
		if fits && len(rests) >= 2 && len(rests) <= 4 {
			return len(u)
		}
	}
	return 0
}

// mergeLabelled joins the words behind a label that no mark follows: "Lot RYE 12".
func (g *grid) mergeLabelled() {
	for i := 0; i+1 < len(g.slots); i++ {
		s := &g.slots[i]
		label := ""
		if counts := g.distinct(s); s.kind == tokWord && len(counts) == 1 {
			label = labelOf(g.example(i))
		}
		if label != "sample" && label != "person" && label != "balance" {
			continue
		}
		k := i + 1
		if g.separates(&g.slots[k]) {
			k++
		}
		for k+1 < len(g.slots) && g.partOfName(k) {
			g.join(k, tokWord)
		}
	}
}

// partOfName says that slot k+1 goes on with the name in slot k: one blank or none lies between wherever both are there.
func (g *grid) partOfName(k int) bool {
	l, r := &g.slots[k], &g.slots[k+1]
	for _, s := range []*slot{l, r} {
		if s.kind == tokDate || s.kind == tokTime || g.isMeasure(s) || g.unitsOnly(s) || s.detached || s.kind == tokMark && !g.inName(s) {
			return false
		}
	}
	if !g.close(l, r) || g.beforeUnit(k+1) || k+2 == len(g.slots) && g.endMark(k+1) {
		return false
	}
	for i := range l.vals {
		if l.vals[i].empty() && !r.vals[i].empty() {
			return false
		}
	}
	for v := range g.distinct(r) {
		if m, known := tradeWord(v); known && m.field != "range" || labelOf(v) != "" {
			return false
		}
	}
	return true
}

// beforeUnit says that slot i is a number that a unit follows, and no other number behind that.
func (g *grid) beforeUnit(i int) bool {
	if g.slots[i].kind != tokNumber || i+1 >= len(g.slots) || g.slots[i+1].kind != tokWord || !g.unitsOnly(&g.slots[i+1]) {
		return false
	}
	return i+2 >= len(g.slots) || g.slots[i+2].kind != tokNumber
}

// endMark says that slot i is one mark in all lines.
func (g *grid) endMark(i int) bool {
	return g.slots[i].kind == tokMark && len(g.distinct(&g.slots[i])) == 1
}

// joinTurns joins two neighbours of one character of which each line has one and not the other: marks that take turns, where
// one of them is a digit or a separator and was not aligned with the rest.
func (g *grid) joinTurns() {
	for i := 0; i+1 < len(g.slots); i++ {
		l, r := &g.slots[i], &g.slots[i+1]
		turns, marks := true, l.kind == tokMark || r.kind == tokMark
		for k := range l.vals {
			v := slices.Concat(g.value(l, k), g.value(r, k))
			turns = turns && len(v) == 1 && l.vals[k].empty() != r.vals[k].empty()
		}
		if turns && marks && g.present(l) > 0 && g.present(r) > 0 {
			g.join(i, tokMark)
		}
	}
}
