package layout

import (
	"bytes"
	"fmt"
	"slices"

	"weighpost/parsers/strict"
)

// Mistakes that leave a layout well-formed, and some of what it names never met: they would only show as unread frames.

// mark encodes bytes that begin or end a frame. It refuses a control character that is spelt and not meant as text.
func (c *compiler) mark(r *strict.Report, text string) []byte {
	name := text
	if n := len(text); n > 2 && text[0] == '<' && text[n-1] == '>' {
		name = text[1 : n-1]
	}
	if written, ok := strict.Spelt(name); ok {
		r.Fault(fmt.Sprintf("%q stands for its letters, and not for the control character", text), written)
	}
	c.escapes(r, text)
	return c.encode(r, text)
}

// escapes refuses an escape that single quotes, or none, have left as a backslash and letters.
func (c *compiler) escapes(r *strict.Report, text string) {
	if letter, found := strict.LostEscape(text); found {
		r.Fault(fmt.Sprintf("the backslash before %q is a printed one: only double quotes make control characters of such", letter),
			`double quotes, as in "\r\n" or "\x02"`)
	}
}

// neverInLine refuses text of a template that a frame's own marks keep out of its lines.
func (c *compiler) neverInLine(r *strict.Report, pieces []piece) {
	rule := &c.l.rule
	marks := [][]byte{rule.End}
	if len(rule.End) == 0 || rule.Block != nil || len(c.source.Block) > 0 {
		marks = append(marks, rule.Terminators...)
	}
	if len(rule.Start) > 0 && rule.Start[0] < ' ' {
		marks = append(marks, rule.Start)
	}
	for i := range pieces {
		p := &pieces[i]
		if p.kind != pieceLiteral {
			continue
		}
		if p.literal[0] == '\t' && (i == 0 || pieces[i-1].kind == pieceGap) {
			r.Fault(fmt.Sprintf("the tab at column %d is passed over as a blank before it is looked for", p.column), "a blank, which stands for tabs too")
		}
		for _, m := range marks {
			if len(m) > 0 && bytes.Contains(p.literal, m) {
				r.Fault(fmt.Sprintf("“%s” begins or ends the frame and is no part of the line: the template would never fit", c.l.page.show(m)),
					"the line without it; frame: names it")
			}
		}
	}
}

// fits refuses words, units and marks that are longer than every field they could stand in.
func (c *compiler) fits(r *strict.Report) {
	tables := []struct {
		field fieldName
		words map[string]string
		at    *strict.Report
	}{
		{fieldStability, c.source.Stability, r.At("stability")}, {fieldKind, c.source.Kind, r.At("kind")}, {fieldRange, c.source.Range, r.At("range")},
		{fieldUnit, c.source.Unit.Words, r.At("unit").At("words")},
	}
	for _, t := range tables {
		if widest := c.widest(t.field); widest > 0 {
			for text := range t.words {
				c.fit(t.at.At(text), t.field, text, widest)
			}
		}
	}
	widest := c.widest(fieldWeight)
	if widest == 0 {
		return
	}
	for i, text := range c.source.Weight.Over {
		c.fit(r.At("weight").At("over").Index(i), fieldWeight, text, widest)
	}
	for i, text := range c.source.Weight.Under {
		c.fit(r.At("weight").At("under").Index(i), fieldWeight, text, widest)
	}
}

func (c *compiler) fit(r *strict.Report, f fieldName, text string, widest int) {
	if b, _, ok := c.l.page.encode(text); ok && len(b) > widest {
		r.Fault(fmt.Sprintf("%q takes %d bytes, and {%s} has room for %d: it would never be met", text, len(b), fieldNames[f], widest),
			fmt.Sprintf("at most %d bytes, or a wider field", widest))
	}
}

// widest is the greatest width of a field, 0 where one of its places has none.
func (c *compiler) widest(f fieldName) (width int) {
	for _, ln := range c.l.lines {
		for i := range ln.pieces {
			switch p := &ln.pieces[i]; {
			case p.field != f:
			case p.width == 0:
				return 0
			default:
				width = max(width, p.width)
			}
		}
	}
	return width
}

// covered refuses a check that leaves the weight open to damage. A block's lines are each checked for themselves.
func (c *compiler) covered(r *strict.Report) {
	for _, ln := range c.l.lines {
		at := func(f fieldName) int {
			return slices.IndexFunc(ln.pieces, func(p piece) bool { return p.field == f })
		}
		weight, check, from, to := at(fieldWeight), at(fieldCheck), at(markFrom), at(markTo)
		if weight < 0 || check < 0 && !c.l.block {
			continue // without weight, or refused already
		}
		if check < 0 || weight > check || from >= 0 && weight < from || to >= 0 && weight > to {
			r.Fault(fmt.Sprintf("the check does not cover the {weight} of the line “%s”: damaged digits would pass as checked", ln.template),
				"{check} after {weight} in the same line, and {weight} between {from} and {to}; or {ignore} in place of {check}, and no check:")
		}
	}
}
