package learntest

import (
	"strings"

	"weighpost/parsers/layout"
)

// blockClass prints several lines for each weight.
func blockClass(d dice, g *design) {
	setLabels(d, g)
	setPeople(d, g)
	g.number.group = ""
	g.wrap.terms = g.wrap.terms[:1]
	if t := g.wrap.terms[0]; t != "\r\n" && t != "\n" && t != "\r" {
		g.wrap.terms[0] = "\r\n"
	}
	g.habits.overs, g.beyond.whole = 0, false
	b := blockMaker{dice: d, g: g, colon: one(d, ": ", " ", ":", " = ", " .. ")}
	if d.in100(50) {
		b.labelWidth = 10
	}
	if d.in100(60) {
		b.constant(one(d, "seed bank", "accession room", "RESULT", "--- weighing ---", "* * * *", "purity bench"))
	}
	b.heading()
	if d.in100(40) {
		b.weights()
	} else {
		b.weight()
	}
	b.ending()
	g.block = b.lines
}

// blockMaker puts the lines of a block together.
type blockMaker struct {
	dice
	g          *design
	colon      string
	labelWidth int
	lines      []blockLine
}

func (b *blockMaker) constant(s string) {
	b.lines = append(b.lines, blockLine{parts: []part{text(s)}})
}

// field adds a line with a label.
func (b *blockMaker) field(label string, name string, optional func(*moment) bool, parts ...part) {
	parts[0].before = padTo(label, b.labelWidth, false) + b.colon
	b.lines = append(b.lines, blockLine{parts: parts, name: name, optional: optional})
}

// heading adds when, who, where and what.
func (b *blockMaker) heading() {
	l := b.g.labels
	if b.in100(55) {
		if b.in100(50) {
			t := timePart()
			b.field(l.date, "", nil, datePart(), text("  "), t)
		} else {
			b.field(l.date, "", nil, datePart())
			b.field(l.time, "", nil, timePart())
		}
	}
	if b.in100(30) {
		b.field(l.balance, "", nil, balancePart(one(b.dice, "07", "B-12", "cold store", "0048213")))
	}
	if b.in100(30) {
		b.field(l.person, "person", func(m *moment) bool { return m.person != "" }, personPart(0))
	}
	if b.in100(50) || len(b.lines) == 0 {
		optional := func(m *moment) bool { return true }
		if b.in100(50) {
			optional = func(m *moment) bool { return m.counter%4 != 1 }
		}
		b.field(l.sample, "lot", optional, lotPart(0))
	}
	if b.in100(15) {
		b.constant("")
	}
}

// weight adds the one line with the weight.
func (b *blockMaker) weight() {
	unit := unitPart()
	unit.before = " "
	if b.in100(50) {
		number := weightPart()
		number.before = b.g.labels.weight + b.colon
		b.lines = append(b.lines, blockLine{parts: []part{number, unit}})
		return
	}
	b.g.kinds = []layout.Kind{layout.KindNet}
	number := weightPart()
	put := number.put
	number.put = func(d *design, m *moment, f *Frame) string {
		f.Truth.Kind = layout.KindNet
		return put(d, m, f)
	}
	b.field(b.g.labels.net, "", nil, number, unit)
}

// weights adds gross, tare and net. Without words that people know, nothing says which of two is the tare.
func (b *blockMaker) weights() {
	if !b.g.tells.Kind {
		b.g.needs |= NeedNumber
	}
	l := b.g.labels
	order := []string{"gross", "tare", "net"}
	if b.in100(30) {
		order = []string{"net", "tare", "gross"}
	}
	if b.in100(25) {
		order = []string{"tare", "net"}
	}
	for _, what := range order {
		switch what {
		case "gross":
			b.field(l.gross, "", nil, otherWeight(layout.KindGross, true))
		case "tare":
			b.field(l.tare, "", nil, otherWeight(layout.KindTare, true))
		default:
			net, unit := weightPart(), unitPart()
			unit.before = " "
			put := net.put
			net.put = func(d *design, m *moment, f *Frame) string {
				f.Truth.Kind = layout.KindNet
				return put(d, m, f)
			}
			b.field(l.net, "", nil, net, unit)
		}
	}
	b.g.kinds = []layout.Kind{layout.KindNet}
	b.g.habits.negatives = 0
}

// ending adds what shows that the block is over, or nothing.
func (b *blockMaker) ending() {
	switch b.IntN(6) {
	case 0, 1:
		for range b.between(1, 3) {
			b.constant("")
		}
	case 2:
		b.constant(strings.Repeat(one(b.dice, "-", "=", "*", "."), 20))
		if b.in100(40) {
			b.constant("")
		}
	case 3:
		b.constant("")
		b.constant(one(b.dice, "sign: ..............", "checked by:", "____________"))
		b.constant("")
		b.constant("")
	case 4:
		b.g.wrap.pauses = true
	}
}
