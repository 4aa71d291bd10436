package learntest

import "weighpost/parsers/layout"

// design is one made-up balance: everything about it that stays the same from print to print.
type design struct {
	class  string
	traits []string
	page   string

	number numberStyle
	modes  []unitMode
	unit   unitStyle
	rests  stabilityStyle
	status map[string]string // what the values of a status character mean for the stability
	kinds  []layout.Kind     // what the balance can be set to, where it prints the kind
	words  kindWords
	beyond beyondStyle
	dates  dateStyle
	labels labelSet

	line  []part
	block []blockLine
	trim  bool // blanks at the end of a line are left out

	padMarks bool // both words for stability take the same room

	wrap   wrapping
	check  *checkStyle
	strays int // of 100 prints, how many have a stray control character before them
	noise  int // of 100 prints, how many have noise before them
	banner bool
	cut    bool // the sample begins within a line
	habits habits
	tells  Tells // what words tell, whatever the sample shows
	needs  Need
	cannot string
	twist  func(line string, f *Frame) string // what makes it a balance that no layout describes
	mangle func(bytes []byte) []byte
}

// unitStyle says where the unit stands.
type unitStyle struct {
	whenStable bool // it is left out while the load moves
	never      bool
	width      int
	right      bool
}

// stabilityStyle is what a balance prints for rest and motion.
type stabilityStyle struct {
	pair
	known bool // words that people understand
	used  bool
}

// beyondStyle is what a balance prints when it cannot weigh.
type beyondStyle struct {
	beyondWords
	known bool
	whole bool // in place of the line, not of the number
}

// part is one piece of a line: what it prints for a moment, and what that says.
type part struct {
	before string // constant text before it
	field  string // what a layout calls it
	put    func(d *design, m *moment, f *Frame) string
	width  int // padded with blanks to this; 0 for none
	right  bool
}

// blockLine is one line of a print block.
type blockLine struct {
	parts    []part
	optional func(m *moment) bool // says whether it is printed
	name     string
}

func (d *design) trait(name string) { d.traits = append(d.traits, name) }

func (f *Frame) shows(feature string) { f.features = append(f.features, feature) }

// text is a part that is always the same.
func text(s string) part { return part{before: s} }

// weightPart prints the number, or what stands in its place.
func weightPart() part {
	return part{field: "weight", put: func(d *design, m *moment, f *Frame) string {
		mode := d.modes[m.mode]
		f.Truth.Unit, f.Truth.Range = mode.key, m.state
		if m.state != layout.InRange {
			return d.outOfRange(m, f)
		}
		f.Truth.Auxiliary = d.number.aux
		printed, digits := d.number.write(m.value)
		f.Display = m.value.plain() + " " + mode.display()
		if d.number.coarse && m.moving && mode.scale > 1 {
			style, coarse := d.number, m.value.coarser()
			style.width = max(0, style.width-1)
			printed, digits = style.write(coarse)
			if style.width > 0 {
				printed += " "
			}
			f.Display = coarse.plain() + " " + mode.display()
			f.shows("a blank last digit")
		}
		f.Truth.Digits, f.printed = digits, printed
		if m.value.minus() && d.number.sign >= minusApart {
			f.shows("minus")
		}
		whole, _ := m.value.parts()
		if d.number.group != "" && len(whole) > 3 {
			f.shows("groups " + itoa(int64((len(whole)-1)/3)))
		}
		return printed
	}}
}

func (d *design) outOfRange(m *moment, f *Frame) string {
	f.Sort = Beyond
	f.shows("range " + m.state.String())
	s := d.beyond.over
	if m.state == layout.UnderRange {
		s = d.beyond.under
	}
	return padTo(s, d.number.width, true)
}

// unitPart prints the unit, unless it is left out.
func unitPart() part {
	return part{field: "unit", put: func(d *design, m *moment, f *Frame) string {
		if d.unit.whenStable {
			f.Truth.Stability = layout.Stable
			if m.moving {
				f.Truth.Stability = layout.Unstable
				f.shows("no unit")
				return padTo("", d.unit.width, false)
			}
		}
		f.shows("unit " + d.modes[m.mode].symbol)
		return padTo(d.modes[m.mode].symbol, d.unit.width, d.unit.right)
	}}
}

// stabilityPart prints whether the load lies still.
func stabilityPart(width int) part {
	return part{field: "stability", width: width, put: func(d *design, m *moment, f *Frame) string {
		f.Truth.Stability = layout.Stable
		s := d.rests.rests
		if m.moving {
			f.Truth.Stability, s = layout.Unstable, d.rests.moves
		}
		f.shows("stability " + s)
		if d.padMarks {
			return padTo(s, widest(d.rests.rests, d.rests.moves), false)
		}
		return s
	}}
}

// kindPart prints what was weighed.
func kindPart(width int) part {
	return part{field: "kind", width: width, put: func(d *design, m *moment, f *Frame) string {
		f.Truth.Kind = m.kind
		s := d.words.of(m.kind)
		f.shows("kind " + s)
		return s
	}}
}

// padTo fills a text with blanks, counted in characters.
func padTo(s string, width int, right bool) string {
	n := width - len([]rune(s))
	for ; n > 0; n-- {
		if right {
			s = " " + s
		} else {
			s += " "
		}
	}
	return s
}
