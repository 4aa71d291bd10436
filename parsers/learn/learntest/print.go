package learntest

import (
	"bytes"
	"strings"

	"weighpost/parsers/layout"
)

// print makes the frame of one moment.
func (g *design) print(d dice, m *moment) Frame {
	f := Frame{Moving: m.moving, Pause: g.wrap.fixed || !g.habits.stream && g.wrap.pauses}
	if g.block != nil {
		g.printBlock(d, m, &f)
		return f
	}
	line := g.text(g.line, m, &f)
	if f.Sort == Beyond && g.beyond.whole {
		line = g.beyondText(m)
		f.features = []string{"range " + m.state.String()} // nothing else is seen
	}
	if g.twist != nil {
		line = g.twist(line, &f)
	}
	g.wrapped(d, g.encoded(line), &f)
	if g.mangle != nil {
		f.Bytes = g.mangle(f.Bytes)
		f.From, f.To = span(f.Bytes, 0)
	}
	return f
}

// beyondText is the line that says over or under and nothing else.
func (g *design) beyondText(m *moment) string {
	if m.state == layout.UnderRange {
		return g.beyond.under
	}
	return g.beyond.over
}

// encoded is text in the balance's code page, which design sees to.
func (g *design) encoded(text string) []byte {
	b, ok := encode(g.page, text)
	if !ok {
		panic("learntest: " + text + " is not in the code page " + g.page)
	}
	return b
}

// text puts the parts of a line together.
func (g *design) text(parts []part, m *moment, f *Frame) string {
	var line strings.Builder
	for _, p := range parts {
		line.WriteString(p.before)
		if p.put != nil {
			line.WriteString(padTo(p.put(g, m, f), p.width, p.right))
		}
	}
	if g.trim {
		return strings.TrimRight(line.String(), " ")
	}
	return line.String()
}

// printBlock makes a print block of several lines.
func (g *design) printBlock(d dice, m *moment, f *Frame) {
	term := g.wrap.terms[0]
	lastText := 0
	for _, l := range g.block {
		if l.optional != nil && !l.optional(m) {
			f.shows("without " + l.name)
			continue
		}
		if l.name != "" {
			f.shows("with " + l.name)
		}
		line := g.text(l.parts, m, f)
		f.Bytes = append(f.Bytes, g.encoded(line)...)
		if strings.TrimSpace(line) != "" {
			lastText = len(f.Bytes)
		}
		f.Bytes = append(f.Bytes, term...)
	}
	f.From, f.To = span(f.Bytes[:lastText], 0)
	f.Pause = g.wrap.pauses
}

// noiseFrame is something that is no print of a weight.
func (g *design) noiseFrame(d dice) Frame {
	b, ok := encode(g.page, one(d, noiseTexts...))
	if !ok {
		b = []byte("Ready")
	}
	f := Frame{Sort: Noise, Bytes: append(b, g.wrap.terms[0]...), Pause: g.wrap.pauses}
	f.From, f.To = span(f.Bytes, 0)
	return f
}

// cutFrame is the rest of a print whose beginning was not heard.
func (g *design) cutFrame(d dice, whole Frame) Frame {
	at := d.between(whole.From+1, max(whole.From+1, whole.To-1))
	f := Frame{Sort: Noise, Bytes: bytes.Clone(whole.Bytes[at:])}
	f.From, f.To = span(f.Bytes, 0)
	return f
}

// damaged is a print with one digit changed on its way.
func (g *design) damaged(d dice, whole Frame) Frame {
	f := whole
	f.Sort, f.Bytes = Damaged, bytes.Clone(whole.Bytes)
	at := bytes.Index(f.Bytes, g.encoded(strings.TrimSpace(whole.printed)))
	for i := at + len(strings.TrimSpace(whole.printed)) - 1; i >= at && at >= 0; i-- {
		if f.Bytes[i] >= '0' && f.Bytes[i] <= '9' && d.in100(60) {
			f.Bytes[i] = '0' + (f.Bytes[i]-'0'+byte(d.between(1, 9)))%10
			return f
		}
	}
	f.Sort = whole.Sort // nothing was changed
	return f
}
