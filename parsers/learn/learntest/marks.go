package learntest

import "weighpost/parsers/layout"

// eitherSide puts a part before or behind the number.
func eitherSide(d dice, p part) (before, after []part) {
	if d.in100(45) {
		return []part{p}, nil
	}
	return nil, []part{p}
}

func madeUpMark(d dice, g *design) {
	if d.in100(6) {
		statusCharacter(d, g)
		return
	}
	p := one(d, stabilityMarks...)
	if !fixedMarks[p.rests] && d.in100(50) {
		p.rests, p.moves = p.moves, p.rests
	}
	useMarks(d, g, p, false)
}

// statusCharacter prints one character whose bits say whether the load rests, and what is weighed.
func statusCharacter(d dice, g *design) {
	base, restBit, netBit := one(d, '0', '@', 'P', 'a'), one(d, 1, 2, 4), 0
	if d.in100(60) {
		g.kinds = []layout.Kind{layout.KindGross, layout.KindNet}
		netBit = one(d, 8, 16)
		if base == '0' || base == 'a' {
			netBit = 8
		}
	}
	g.status = map[string]string{}
	for _, net := range []int{0, netBit} {
		g.status[string(base+rune(net))], g.status[string(base+rune(net+restBit))] = "unstable", "stable"
	}
	g.habits.stream = d.in100(80)
	before, after := eitherSide(d, part{field: "stability", put: func(d *design, m *moment, f *Frame) string {
		c := base
		f.Truth.Kind, f.Truth.Stability = m.kind, layout.Unstable
		if !m.moving {
			f.Truth.Stability = layout.Stable
			c += rune(restBit)
		}
		if m.kind == layout.KindNet {
			c += rune(netBit)
		}
		f.shows("status " + string(c))
		return string(c)
	}})
	lineUp(d, g, " ", before, after)
}

func blankOrMark(d dice, g *design) {
	p := pair{rests: one(d, loneMarks...)}
	if p.rests == "?" || p.rests == "~" || p.rests == "D" || !fixedMarks[p.rests] && d.in100(40) {
		p.rests, p.moves = "", p.rests
	}
	useMarks(d, g, p, false)
}

// markedOrPlain adds a mark to more than half of the lines.
func markedOrPlain(d dice, g *design) {
	if d.in100(57) {
		madeUpMark(d, g)
		return
	}
	plain(d, g)
}

// useMarks adds a stability field to a plain line.
func useMarks(d dice, g *design, p pair, known bool) {
	g.rests = stabilityStyle{pair: p, known: known, used: true}
	if d.in100(70) {
		g.habits.stream = true
	} else {
		g.habits.impatient = one(d, 0, 25, 50)
	}
	sep := blankSeparator(d, g)
	if sep == "" && p.digits() {
		sep = " " // nobody could tell it from the number
	}
	width := max(len([]rune(p.rests)), len([]rune(p.moves)))
	if len([]rune(p.rests)) == len([]rune(p.moves)) || sep != "" && p.rests != "" && p.moves != "" && d.in100(40) {
		width = 0
	}
	before, after := eitherSide(d, stabilityPart(width))
	lineUp(d, g, sep, before, after)
}

func stabilityWord(d dice, g *design) {
	lang := one(d, "en", "en", "de", "fr", "es", "it", "pt", "nl", "sv", "da", "fi", "pl", "cs")
	p := one(d, stabilityWords[lang]...)
	g.trait("words " + lang)
	g.repage(d, p.rests, p.moves)
	useMarks(d, g, p, true)
	g.tells.Stability = true
}

func unitWhileStable(d dice, g *design) {
	g.unit.whenStable = true
	g.habits.stream = d.in100(75)
	g.habits.impatient = one(d, 20, 40)
	if d.in100(70) {
		plain(d, g)
		return
	}
	setKinds(d, g)
	sep := blankSeparator(d, g)
	lineUp(d, g, sep, []part{kindPart(widest(g.words.gross, g.words.net, g.words.tare, g.words.preset) + 1)}, nil)
}
