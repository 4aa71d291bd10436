package learntest

import "slices"

// lineUp puts the number and its unit between other parts, with a separator.
func lineUp(d dice, g *design, sep string, before, after []part) {
	number, unit := weightPart(), unitPart()
	gap := shared(d, []share[string]{{78, " "}, {8, "  "}, {14, ""}})
	if sep != " " && sep != "  " && sep != "" && d.in100(50) {
		gap = sep
	}
	if g.number.sign == bothBehind && gap == "" {
		gap = " "
	}
	if sep == "" && len(after) > 0 {
		g.unit.right = false
		for _, m := range g.modes { // nobody prints "gnet"
			g.unit.width = max(g.unit.width, widest(m.symbol)+1)
		}
	}
	if gap == "" && g.number.width == 0 {
		g.beyond.whole = true // nor "overloadg"
	}
	middle := []part{number, unit}
	unit.before = gap
	switch {
	case g.unit.never:
		middle = []part{number}
	case d.in100(8):
		unit.before, number.before = "", gap
		if g.number.width == 0 && gap == "" {
			number.before = " "
		}
		middle = []part{unit, number}
	case d.in100(3) && !g.unit.whenStable:
		unit.before += "["
		middle = []part{number, unit, text("]")}
	default:
		middle[1] = unit
	}
	parts := slices.Concat(before, middle, after)
	for i := range parts {
		first := i == len(before) || i > 0 && i < len(before) || i >= len(before)+len(middle)
		if first && i > 0 {
			parts[i].before = sep + parts[i].before
		}
	}
	if d.in100(8) {
		parts = append([]part{text(one(d, ">", "#", "W:", "Wt ", "* ", "=> ", "@", "P1 "))}, parts...)
	}
	if d.in100(4) {
		parts = append(parts, text(one(d, " .", "#", " <", ";", " |")))
		g.trim = false
		g.unit.width = max(g.unit.width, widest(g.modes[0].symbol))
	}
	g.line = parts
}

// blankSeparator is what stands between most pieces.
func blankSeparator(d dice, g *design) string {
	sep := shared(d, []share[string]{{70, " "}, {18, "  "}, {12, ""}})
	words := g.rests.rests + g.rests.moves + g.words.gross + g.words.net + g.words.tare
	wide := g.page == "utf-8" && len(words) > widest(words) // a column of characters is none of bytes
	if sep == "" && (g.number.width == 0 || g.number.left || wide) {
		return " "
	}
	return sep
}
