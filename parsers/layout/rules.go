package layout

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/strict"
)

// lines compiles the templates, whichever of the three ways the file uses.
func (c *compiler) lines(r *strict.Report) {
	s := c.source
	ways := 0
	for _, given := range []bool{s.Line != "", len(s.Lines) > 0, len(s.Block) > 0} {
		if given {
			ways++
		}
	}
	if ways != 1 {
		r.Fault(fmt.Sprintf("a layout has exactly one of line, lines and block, and this one has %d", ways),
			`line: "{weight} {unit}", for one`)
	}
	c.l.block = len(s.Block) > 0
	if s.Line != "" {
		c.line(r.At("line"), lineSource{Line: s.Line})
	}
	for i, ln := range s.Lines {
		if ln.Optional {
			r.At("lines").Index(i).At("optional").Fault("one of several lines cannot be optional: one of them is printed", "optional lines are for block")
		}
		c.line(r.At("lines").Index(i).At("line"), ln)
	}
	for i, ln := range s.Block {
		c.line(r.At("block").Index(i).At("line"), ln)
	}
	c.l.kind, c.l.still = s.Means.kind(), s.Means.stability()
	c.means(r.At("means"), s.Means, fieldsOf(c.l.lines))
	for i := range c.l.lines {
		at, own, fields := r.At("lines").Index(i), meansSource{}, fieldsOf(c.l.lines[i:i+1])
		switch {
		case i < len(s.Lines):
			own = s.Lines[i].Means
		case i < len(s.Block):
			at, own, fields = r.At("block").Index(i), s.Block[i].Means, fieldsOf(c.l.lines)
		}
		c.means(at.At("means"), own, fields)
		c.l.lines[i].kind, c.l.lines[i].stability = own.kind(), own.stability()
	}
}

// means refuses a stated meaning beside a printed one. fields are those that a frame may have.
func (c *compiler) means(r *strict.Report, m meansSource, fields uint32) {
	if m.Kind != "" && fields&(1<<fieldKind) != 0 {
		r.At("kind").Fault("the frame prints its kind, and the layout states another", "{kind}, or means: kind")
	}
	if m.Stability != "" && fields&(1<<fieldStability) != 0 {
		r.At("stability").Fault("the frame prints its stability, and the layout states another", "{stability}, or means: stability")
	}
}

func fieldsOf(lines []line) (fields uint32) {
	for _, ln := range lines {
		for _, p := range ln.pieces {
			fields |= 1 << p.field
		}
	}
	return fields
}

func (m meansSource) kind() Kind           { return Kind(meaning(kindNames[:], m.Kind)) }
func (m meansSource) stability() Stability { return Stability(meaning(stabilityNames[:], m.Stability)) }

// meaning is the number of a name, 0 where none is given.
func meaning(names []string, name string) uint8 { return uint8(max(0, slices.Index(names, name))) }

// line compiles one template.
func (c *compiler) line(r *strict.Report, s lineSource) {
	ln := line{template: s.Line, optional: s.Optional}
	pieces, fault, allowed := splitTemplate(s.Line, c.l.page)
	if fault != "" {
		r.Fault(fault, allowed)
		c.broken = true
		c.l.lines = append(c.l.lines, ln)
		return
	}
	if len(pieces) == 0 {
		r.Fault("a template is empty", `what the balance prints, such as "{weight} {unit}"`)
	}
	ln.pieces = pieces
	c.escapes(r, s.Line)
	c.neverInLine(r, pieces)
	var seen uint32
	for i := range pieces {
		p := &pieces[i]
		if p.field == noField {
			continue
		}
		if (p.field == markFrom || p.field == markTo) && seen&(1<<fieldCheck|1<<markTo) != 0 {
			r.Fault(fmt.Sprintf("{%s} at column %d comes too late: a check covers what stands before it", fieldNames[p.field], p.column),
				"{from}, what is covered, {to}, and then {check}")
		}
		if seen&(1<<p.field) != 0 && !p.field.passed() {
			r.Fault(fmt.Sprintf("{%s} stands twice in one line", fieldNames[p.field]), "each once; only {ignore} and {digits} may be repeated")
		}
		seen |= 1 << p.field
		if p.field == fieldCheck {
			ln.check = p
			c.checkField(r, p, s.Optional)
		}
	}
	linkPieces(pieces)
	for i := range pieces {
		if p := &pieces[i]; p.kind == pieceField {
			c.neighbours(r, p, following(pieces, i), i, pieces)
		}
	}
	c.used |= seen
	c.l.lines = append(c.l.lines, ln)
}

// checkField gives the check its width.
func (c *compiler) checkField(r *strict.Report, p *piece, optional bool) {
	if c.l.check == nil {
		r.Fault("{check} needs to be told how it is made", "check: sum: xor, for one")
		return
	}
	if c.l.check.after {
		r.Fault("the check is said to stand after the frame's end bytes and in the line", "one of {check} and after_end: true")
	}
	if optional {
		r.Fault("a line with {check} cannot be optional: a damaged line would be passed over", "leave optional out")
	}
	if c.l.check.kind == 0 {
		return
	}
	if width := c.l.check.width(); p.width != 0 && p.width != width {
		r.Fault(fmt.Sprintf("{check %d} has the wrong width: this check is written in %d characters", p.width, width), "{check}")
	}
	p.width = c.l.check.width()
}

// neighbours refuses a field whose end would be a guess.
func (c *compiler) neighbours(r *strict.Report, p, next *piece, i int, pieces []piece) {
	if p.width > 0 || next == nil {
		return
	}
	at := fmt.Sprintf("{%s} at column %d", fieldNames[p.field], p.column)
	switch {
	case next.kind == pieceLiteral && p.field.digits() && c.partOfNumber(p, next.literal[0]):
		r.Fault(fmt.Sprintf("%s is followed by “%s”, which could belong to its digits", at, c.l.page.show(next.literal)), "a width: {weight 10}")
	case next.kind == pieceGap && p.field == fieldWeight && c.l.number.group == ' ':
		after := following(pieces, slices.IndexFunc(pieces, func(x piece) bool { return x.kind == pieceGap && x.column == next.column }))
		if after != nil && after.kind == pieceField && !after.field.words() && after.field != fieldUnit {
			r.Fault(at+" is grouped by blanks, and the field after the blank could be taken for more digits", "a width: {weight 10}")
		}
	case next.kind != pieceField:
	case p.field.digits() && (next.field.words() || next.field == fieldUnit):
		c.noDigitsFirst(r, at, next)
	case p.field.words() && (next.width > 0 || next.field.digits()):
		c.cleanEnd(r, at, p, next)
	default:
		r.Fault(fmt.Sprintf("%s and {%s} stand side by side, and nothing says where the first one ends", at, fieldNames[next.field]),
			"a width for the first one, or a blank or text between them")
	}
}

func (c *compiler) partOfNumber(p *piece, b byte) bool {
	n := &c.l.number
	if p.field == fieldCount {
		return isDigit(b) || isSign(b) || b == '.'
	}
	return isDigit(b) || isSign(b) || b == n.decimal || n.group != 0 && b == n.group || n.open != 0 && (b == n.open || b == n.shut)
}

// noDigitsFirst refuses words after a number that begin like more of it.
func (c *compiler) noDigitsFirst(r *strict.Report, at string, next *piece) {
	refuse := func(text []byte) {
		if len(text) > 0 && c.l.number.numeric(text[0]) {
			r.Fault(fmt.Sprintf("%s is followed by the word “%s”, which could belong to its digits", at, c.l.page.show(text)), "a width: {weight 10}")
		}
	}
	if next.field == fieldUnit {
		for _, w := range c.l.unit.words {
			refuse(w.text)
		}
		return
	}
	for _, w := range c.l.table(next.field) {
		refuse(w.text)
	}
}

// cleanEnd refuses a word table before a field with a width or digits, where a word's end would be a guess.
func (c *compiler) cleanEnd(r *strict.Report, at string, p, next *piece) {
	t := c.l.table(p.field)
	if next.width > 0 && t.blank() {
		r.Fault(fmt.Sprintf("%s may be missing, and then nothing says where {%s} begins", at, fieldNames[next.field]), "a width for it")
	}
	for _, w := range t {
		text := c.l.page.show(w.text)
		if next.field.digits() && slices.ContainsFunc(w.text, c.l.number.numeric) {
			r.Fault(fmt.Sprintf("%s has the word “%s”, which could be taken for digits of the number that follows", at, text), "a width for it")
		}
		for _, o := range t {
			if len(w.text) > 0 && len(o.text) > len(w.text) && strings.HasPrefix(string(o.text), string(w.text)) {
				r.Fault(fmt.Sprintf("%s has the words “%s” and “%s”, and nothing says where it ends", at, text, c.l.page.show(o.text)), "a width for it")
			}
		}
	}
}

// whole checks what the parts of a layout say of each other.
func (c *compiler) whole(r *strict.Report) {
	s := c.source
	if c.broken || len(c.l.lines) == 0 {
		return // what is missing may stand in the template that cannot be read
	}
	for _, t := range []struct {
		field fieldName
		words int
	}{{fieldStability, len(s.Stability)}, {fieldKind, len(s.Kind)}, {fieldRange, len(s.Range)}} {
		name := fieldNames[t.field]
		switch {
		case c.uses(t.field) && t.words == 0:
			r.Fault(fmt.Sprintf("{%s} needs a table of its words", name), fmt.Sprintf(`%s: {"printed word": meaning}`, name))
		case !c.uses(t.field) && t.words > 0:
			r.At(name).Fault(fmt.Sprintf("no line has {%s}, so the table is never used", name), "")
		}
	}
	if s.Date.Order != "" && !c.uses(fieldDate) {
		r.At("date").Fault("no line has {date}, so the order is never used", "")
	}
	if c.l.check == nil && (c.uses(markFrom) || c.uses(markTo)) {
		r.Fault("{from} and {to} say what a check covers, and there is no check", "check: sum: xor, for one")
	}
	if s.LineLength < 0 || s.LineLength > 4096 {
		r.At("line_length").Fault(fmt.Sprintf("%d is no length of a line", s.LineLength), "1 to 4096")
	} else if c.l.block && s.LineLength > 0 {
		r.At("line_length").Fault("a print block has lines of several lengths", "widths for its fields, in place of line_length")
	}
	c.l.lineLength = s.LineLength
	c.wholeWeight(r)
	c.wholeCheck(r)
	c.fits(r)
}

func (c *compiler) wholeWeight(r *strict.Report) {
	s := c.source
	for _, ln := range c.l.lines {
		if !c.l.block && len(ln.pieces) > 0 && !has(ln.pieces, fieldWeight) && !has(ln.pieces, fieldRange) {
			r.Fault(fmt.Sprintf("the line “%s” has no weight", ln.template), "{weight}, or {range} for a line that only says over or under")
		}
	}
	if !c.uses(fieldWeight) {
		r.Fault("no line has {weight}", "{weight}")
		return
	}
	switch {
	case c.uses(fieldUnit) && s.Unit.Always != "":
		r.At("unit").At("always").Fault("a line has {unit}, so the unit is not always this one", "{ignore} in place of {unit}, or no always")
	case !c.uses(fieldUnit) && s.Unit.Always == "":
		r.Fault("no line has {unit}, and a number without a unit is not a weighing", "{unit} in the line, or unit: always: g")
	case !c.uses(fieldUnit) && (len(s.Unit.Words) > 0 || s.Unit.Missing != ""):
		r.At("unit").Fault("no line has {unit}, so its words are never used", "")
	}
}

func has(pieces []piece, f fieldName) bool {
	return slices.ContainsFunc(pieces, func(p piece) bool { return p.field == f })
}

// wholeCheck makes sure that no frame can pass without its check.
func (c *compiler) wholeCheck(r *strict.Report) {
	if c.l.check == nil || c.l.check.after {
		return
	}
	if !c.uses(fieldCheck) {
		r.At("check").Fault("no line has {check}, so nothing would be checked", "{check}, or after_end: true")
		return
	}
	c.covered(r)
	for _, ln := range c.l.lines {
		if !c.l.block && ln.check == nil && len(ln.pieces) > 0 {
			r.Fault(fmt.Sprintf("the line “%s” has no {check} and another one has: a damaged frame could pass as this one", ln.template), "{check} in each line")
		}
	}
}
