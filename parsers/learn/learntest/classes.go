package learntest

import (
	"weighpost/parsers/layout"
)

// class is one sort of balance. Its weight says how common that sort is in the trade, by judgement and not by a count:
// plain lines, and lines with one mark, are most of what is met.
type class struct {
	name  string
	build func(d dice, g *design)
}

var classes = []share[class]{
	{15, class{"plain", plain}},
	{13, class{"made-up mark", madeUpMark}},
	{8, class{"blank or mark", blankOrMark}},
	{8, class{"stability word", stabilityWord}},
	{7, class{"unit while stable", unitWhileStable}},
	{9, class{"kind", kindClass}},
	{7, class{"separated columns", separated}},
	{5, class{"check characters", checked}},
	{9, class{"print block", blockClass}},
	{6, class{"date, lot, person", fieldsClass}},
	{3, class{"two numbers", twoNumbers}},
	{3, class{"verified, brackets", verified}},
	{2, class{"no unit printed", noUnit}},
	{3, class{"open unit", openUnit}},
	{3, class{"several units", severalUnits}},
	{3, class{"telegram", telegramClass}},
	{2, class{"fixed length", fixedLength}},
	{3, class{"noise", noisy}},
	{3, class{"cannot be described", indescribable}},
}

// Classes names the sorts of balances and how many of a hundred are of each.
func Classes() (names []string, percent []float64) {
	total := 0
	for _, c := range classes {
		total += c.weight
	}
	for _, c := range classes {
		names = append(names, c.what.name)
		percent = append(percent, 100*float64(c.weight)/float64(total))
	}
	return names, percent
}

// common draws what every balance has.
func common(d dice, g *design) {
	m := shared(d, commonUnits).mode(d)
	g.modes = []unitMode{m}
	g.number = commonNumber(d, m.digits(), m.scale)
	g.wrap = commonWrapping(d)
	g.trim = d.in100(40)
	g.unit = unitStyle{width: one(d, 0, 0, 2, 3, 4)}
	if g.unit.width > 0 {
		g.unit.width = max(g.unit.width, len([]rune(m.symbol)))
		g.unit.right = d.in100(12)
	}
	g.habits = habits{stream: d.in100(45), impatient: one(d, 0, 0, 15, 30), restless: one(d, 0, 0, 0, 8, 15),
		overs: one(d, 0, 0, 4), negatives: one(d, 0, 5, 8, 12)}
	g.habits.zeroFirst = g.number.group != "" && m.scale == 0
	g.beyond = beyondStyle{beyondWords: one(d, coinedBeyond...), whole: d.in100(25)}
	if d.in100(45) {
		g.beyond.beyondWords, g.beyond.known = one(d, knownBeyond[one(d, "en", "de", "fr", "es", "it", "pt", "nl", "sv", "fi")]...), true
	}
	g.page = pageFor(d, m.symbol, g.beyond.over, g.beyond.under)
}

// repage picks the code page again, once more words are known.
func (g *design) repage(d dice, words ...string) {
	words = append(words, g.beyond.over, g.beyond.under)
	for _, m := range g.modes {
		words = append(words, m.symbol)
	}
	g.page = pageFor(d, words...)
}

func plain(d dice, g *design) {
	n := &g.number
	n.coarse = d.in100(6) && g.modes[0].scale > 1 && n.sign < minusBehind && n.aux == 0 && n.group == "" && n.zeros == 0 && !n.left && g.habits.stream
	lineUp(d, g, blankSeparator(d, g), nil, nil)
}

// kindClass prints gross, net, tare, and often the stability as well.
func kindClass(d dice, g *design) {
	setKinds(d, g)
	sep := blankSeparator(d, g)
	width := widest(g.words.gross, g.words.net, g.words.tare, g.words.preset)
	switch {
	case sep == "":
		width++ // a word that touches what follows it could not be told from it
	case d.in100(35):
		width = 0
	}
	before, after := eitherSide(d, kindPart(width))
	if before != nil && width == 0 && g.words.gross != "" && d.in100(50) {
		sep = one(d, ": ", ":", " = ") // as a label
		if sep == ":" && g.number.width > 0 {
			sep = ": "
		}
	}
	if d.in100(40) {
		p := one(d, stabilityMarks...)
		if sep == "" && p.digits() {
			p = pair{"=", "~"}
		}
		g.rests = stabilityStyle{pair: p, used: true}
		s := stabilityPart(widest(p.rests, p.moves))
		if d.in100(50) {
			before = append(before, s)
		} else {
			after = append(after, s)
		}
		g.habits.stream = d.in100(70)
	}
	lineUp(d, g, sep, before, after)
}

// setKinds draws the words for what is weighed.
func setKinds(d dice, g *design) {
	switch d.IntN(10) {
	case 0, 1:
		g.words = one(d, coinedKinds...)
	case 2, 3:
		g.words = one(d, letterKinds...)
	default:
		lang := one(d, "en", "en", "de", "fr", "es", "it", "pt", "nl", "sv", "fi", "pl", "cs", "hu")
		g.trait("kinds " + lang)
		g.words, g.tells.Kind = one(d, knownKinds[lang]...), true
	}
	g.repage(d, g.words.gross, g.words.net, g.words.tare)
	g.kinds = one(d, []layout.Kind{layout.KindGross, layout.KindNet}, []layout.Kind{layout.KindGross, layout.KindNet, layout.KindTare},
		[]layout.Kind{layout.KindNet}, []layout.Kind{layout.KindGross})
	if g.words.gross == "" {
		g.kinds = []layout.Kind{layout.KindGross, layout.KindNet}
	}
	if g.words.preset != "" && d.in100(30) {
		g.kinds = append(g.kinds, layout.KindPresetTare)
	}
}

func widest(words ...string) (n int) {
	for _, w := range words {
		n = max(n, len([]rune(w)))
	}
	return n
}

// separated has columns between characters that are no blanks.
func separated(d dice, g *design) {
	sep := one(d, ",", ";", "\t", " | ", "|", ", ", "; ", "/")
	if g.number.comma || g.number.group == "," {
		sep = one(d, ";", "\t", " | ", "|", "; ")
	}
	if g.number.group == " " {
		g.number.group = ""
	}
	if d.in100(50) {
		g.number.width, g.number.zeros = 0, 0
		if g.number.sign != bothAttached {
			g.number.sign = minusAttached
		}
	}
	var before, after []part
	add := func(p part) {
		if d.in100(50) {
			before = append(before, p)
		} else {
			after = append(after, p)
		}
	}
	if d.in100(70) {
		p, known := one(d, stabilityMarks...), false
		if d.in100(50) {
			p, known = one(d, stabilityWords["en"]...), true
		}
		if p.rests == "|" || p.rests == "/" {
			p = pair{"=", "~"}
		}
		g.rests, g.tells.Stability = stabilityStyle{pair: p, known: known, used: true}, known
		add(stabilityPart(0))
		g.habits.stream = d.in100(60)
	}
	if d.in100(50) {
		setKinds(d, g)
		add(kindPart(0))
	}
	if d.in100(30) {
		add(counterPart(d, 0))
	}
	lineUp(d, g, sep, before, after)
	g.trim = g.trim && sep != " | "
}

// checked adds check characters to a plain or marked line.
func checked(d dice, g *design) {
	markedOrPlain(d, g)
	commonCheck(d, g)
	if g.check.form == "raw" {
		g.trim = false
	}
}

// verified prints the digits below the verification interval in brackets, or the number of its weighing range.
func verified(d dice, g *design) {
	m := &g.modes[0]
	if m.scale == 0 || d.in100(30) {
		madeUpMark(d, g)
		g.line = append([]part{{before: one(d, "R", "range ", "W"), field: "range_number", width: 1, put: func(_ *design, m *moment, f *Frame) string {
			f.Truth.RangeNumber = itoa(int64(m.channel))
			return f.Truth.RangeNumber
		}}, text(" ")}, g.line...)
		return
	}
	n := &g.number
	n.group, n.zeros, n.naked = "", 0, false
	n.aux = min(m.scale, one(d, 1, 1, 1, 2))
	pair := one(d, "[]", "[]", "()", "<>")
	n.open, n.shut = pair[:1], pair[1:]
	if n.width > 0 {
		n.width += 2
	}
	if n.sign >= minusBehind {
		n.sign = bothAttached
	}
	markedOrPlain(d, g)
}

func noUnit(d dice, g *design) {
	g.unit.never = true
	g.needs |= NeedUnit
	markedOrPlain(d, g)
}

func openUnit(d dice, g *design) {
	m := shared(d, openUnits).mode(d)
	g.modes, g.needs = []unitMode{m}, m.need
	g.number = commonNumber(d, m.digits(), m.scale)
	g.unit.width = max(g.unit.width, len(m.symbol))
	markedOrPlain(d, g)
}

// severalUnits can be set to other units, pieces or per cent.
func severalUnits(d dice, g *design) {
	g.modes = []unitMode{gram.mode(d)}
	if d.in100(60) {
		g.modes = append(g.modes, massUnit{"mg", "mg", 0, []int{1, 2}, []int{6, 7}, ""}.mode(d))
	}
	if d.in100(40) {
		g.modes = append(g.modes, massUnit{"ozt", "[oz_tr]", 0, []int{4}, []int{6}, ""}.mode(d))
	}
	if d.in100(50) || len(g.modes) == 1 {
		g.modes = append(g.modes, pieces(d))
	}
	if d.in100(40) {
		g.modes = append(g.modes, percent(d))
	}
	digits := 0
	for _, m := range g.modes {
		digits = max(digits, m.digits())
	}
	g.number = commonNumber(d, digits, 3)
	g.number.zeros, g.number.group = 0, ""
	g.unit.width = max(g.unit.width, 3)
	g.habits.overs = 0
	markedOrPlain(d, g)
}

func telegramClass(d dice, g *design) {
	markedOrPlain(d, g)
	g.wrap = telegram(d)
	g.trim = false
}

// fixedLength sends as many bytes each time and nothing between.
func fixedLength(d dice, g *design) {
	if g.number.width == 0 {
		g.number.width = g.modes[0].digits() + 3
	}
	g.number.left = false
	g.unit.width = max(g.unit.width, len([]rune(g.modes[0].symbol)))
	markedOrPlain(d, g)
	g.padMarks = true
	g.trim, g.beyond.whole, g.habits.overs = false, false, 0
	g.page = pageFor(d, g.modes[0].symbol)
	g.wrap = wrapping{terms: []string{""}, fixed: true, pauses: true}
	if d.in100(35) {
		g.wrap = wrapping{start: stx, terms: []string{""}, pauses: d.in100(50)}
	}
}

// noisy prints other things as well.
func noisy(d dice, g *design) {
	markedOrPlain(d, g)
	g.strays = one(d, 0, 0, 10)
	g.noise, g.banner, g.cut = one(d, 0, 8, 15), d.in100(60), d.in100(50)
	if g.noise == 0 && !g.banner && !g.cut {
		g.banner = true
	}
}
