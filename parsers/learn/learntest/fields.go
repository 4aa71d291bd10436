package learntest

import (
	"strconv"

	"weighpost/parsers/layout"
)

// datePart and timePart print when the weight was taken.
func datePart() part {
	return part{field: "date", put: func(d *design, m *moment, f *Frame) string {
		f.Truth.PrintedDate, f.Truth.Date = d.dates.date(m.at), m.at.Format("2006-01-02")
		return f.Truth.PrintedDate
	}}
}

func timePart() part {
	return part{field: "time", put: func(d *design, m *moment, f *Frame) string {
		f.Truth.Time = m.at.Format(d.dates.clock)
		return f.Truth.Time
	}}
}

// counterPart numbers the prints. A layout has no place for that number.
func counterPart(d dice, width int) part {
	digits := one(d, 3, 4, 5)
	return part{field: "ignore", width: width, put: func(_ *design, m *moment, _ *Frame) string { return pad(m.counter, digits) }}
}

func lotPart(width int) part {
	return part{field: "sample", width: width, put: func(d *design, m *moment, f *Frame) string {
		f.Truth.Sample = m.lot
		for _, c := range m.lot {
			if c == ' ' {
				f.shows("lot with a blank")
			}
		}
		return m.lot
	}}
}

func personPart(width int) part {
	return part{field: "person", width: width, put: func(d *design, m *moment, f *Frame) string {
		f.Truth.Person = m.person
		return m.person
	}}
}

func balancePart(name string) part {
	return part{field: "balance", width: len(name), put: func(d *design, m *moment, f *Frame) string {
		f.Truth.Balance = name
		return name
	}}
}

func countPart(width int) part {
	return part{field: "count", width: width, right: true, put: func(d *design, m *moment, f *Frame) string {
		f.Truth.Count = strconv.FormatInt(m.count, 10)
		return f.Truth.Count
	}}
}

// setLabels draws what stands before fields.
func setLabels(d dice, g *design) {
	if d.in100(25) {
		g.labels = one(d, coinedLabels...)
		return
	}
	lang := one(d, "en", "en", "de", "fr", "es", "it", "nl", "sv", "pl")
	g.trait("labels " + lang)
	g.labels, g.tells.Ids, g.tells.Kind = knownLabels[lang], true, true
	l := g.labels
	g.repage(d, l.weight, l.sample, l.person, l.balance, l.date, l.time, l.counter, l.count, l.tare, l.gross, l.net)
}

// setPeople draws who weighs here and what.
func setPeople(d dice, g *design) {
	g.dates = commonDate(d)
	g.habits.lots = one(d, dashed, dashed, spaced, numbers, slashed)
	g.habits.people = one(d, []string{"k07", "k12", "m03"}, []string{"AB", "CD", "EF", "GH"}, []string{"1001", "1002", "1017"}, []string{"mira", "jo", "theo"})
	g.habits.stream = false
}

// fieldsClass prints dates, times, lots, persons and counters in the line of the weight.
func fieldsClass(d dice, g *design) {
	setLabels(d, g)
	setPeople(d, g)
	if g.number.group == " " {
		g.number.group = ""
	}
	sep := one(d, "  ", " ", " ", ";", ", ", " | ")
	if g.number.comma && sep == ", " {
		sep = ";"
	}
	all := []part{datePart(), timePart()}
	switch d.IntN(5) {
	case 0:
		all = all[1:]
	case 1:
		all = nil
	}
	labelled := func(label string, p part) part {
		p.before = label + one(d, " ", ": ", ":", "=")
		return p
	}
	if d.in100(35) || len(all) == 0 {
		all = append(all, labelled(g.labels.sample, lotPart(15)))
	}
	if d.in100(30) {
		all = append(all, labelled(g.labels.person, personPart(5)))
	}
	if d.in100(30) {
		all = append(all, labelled(g.labels.balance, balancePart(one(d, "07", "B-12", "cold store", "0048213", "north"))))
	}
	if d.in100(35) {
		all = append([]part{counterPart(d, 0)}, all...)
	}
	cut := d.between(0, len(all))
	if d.in100(60) {
		cut = len(all)
	}
	lineUp(d, g, sep, all[:cut], all[cut:])
}

// twoNumbers prints another number beside the weight.
func twoNumbers(d dice, g *design) {
	g.number.group, g.number.naked = "", false
	g.habits.overs, g.habits.negatives = 0, 0
	g.number.comma = g.number.comma && d.in100(50)
	setLabels(d, g)
	switch d.IntN(4) {
	case 0, 1:
		netAndTare(d, g)
	case 2:
		piecesAndWeight(d, g)
	default:
		percentAndWeight(d, g)
	}
}

// otherWeight prints the tare or the gross with the unit.
func otherWeight(kind layout.Kind, unit bool) part {
	return part{field: "ignore", put: func(d *design, m *moment, f *Frame) string {
		a, mode := m.tare, d.modes[m.mode]
		if kind == layout.KindGross {
			a = m.gross
		}
		printed, digits := d.number.write(a)
		f.Also = append(f.Also, Truth{Digits: digits, Unit: mode.key, Kind: kind})
		if unit {
			printed += " " + mode.symbol
		}
		return printed
	}}
}

// netAndTare prints the net weight and the tare in one line. Without words that people know, nothing says which is which.
func netAndTare(d dice, g *design) {
	g.kinds = []layout.Kind{layout.KindNet}
	net, tare := weightPart(), otherWeight(layout.KindTare, true)
	if d.in100(25) {
		g.labels, g.tells.Kind = labelSet{}, false
	}
	if !g.tells.Kind {
		g.needs |= NeedNumber
	}
	colon := one(d, " ", ": ", "=", ":")
	if g.labels.net == "" {
		colon = ""
	}
	put := net.put
	net.put = func(d *design, m *moment, f *Frame) string {
		f.Truth.Kind = layout.KindNet
		return put(d, m, f)
	}
	net.before, tare.before = g.labels.net+colon, " "+one(d, "", "", " ", "|")+g.labels.tare+colon
	unit := unitPart()
	unit.before = " "
	g.line = []part{net, unit, tare}
	if d.in100(30) {
		tare.before, net.before = g.labels.tare+colon, " "+net.before
		g.line = []part{tare, net, unit}
	}
}

// piecesAndWeight prints a number of pieces beside the weight.
func piecesAndWeight(d dice, g *design) {
	count := countPart(one(d, 0, 6))
	inner := count.put
	symbol := one(d, "pcs", "PCS")
	count.put = func(d *design, m *moment, f *Frame) string {
		s := inner(d, m, f)
		f.Also = append(f.Also, Truth{Digits: s, Unit: "pieces"})
		return padTo(s, count.width, true) + " " + symbol
	}
	g.tells.Ids = true
	unit := unitPart()
	unit.before = " "
	number := weightPart()
	if d.in100(50) {
		number.before = "  "
		g.line = []part{count, number, unit}
		return
	}
	count.before = "  "
	g.line = []part{number, unit, count}
}

// percentAndWeight prints the part of a target beside the weight.
func percentAndWeight(d dice, g *design) {
	percent := part{field: "ignore", put: func(d *design, m *moment, f *Frame) string {
		printed, digits := d.number.write(m.percent)
		f.Also = append(f.Also, Truth{Digits: digits, Unit: "%"})
		return printed + " %"
	}}
	unit, number := unitPart(), weightPart()
	unit.before = " "
	if d.in100(50) {
		number.before = "  "
		g.line = []part{percent, number, unit}
		return
	}
	percent.before = "  "
	g.line = []part{number, unit, percent}
}
