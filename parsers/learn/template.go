package learn

import (
	"fmt"
	"slices"
	"strings"
)

// part is one part of a template as it is written: text that stands for itself, blanks, or a field.
type part struct {
	text   []byte // of a literal, in the balance's bytes
	blanks int
	field  string
	width  int
	slot   int // -1 for none
}

// template writes the plan as the parts of a template.
func (p *plan) template(check *checkFound) []part {
	if p.g.fixed {
		return p.withCheck(tabs(p.columnParts()), check)
	}
	return p.withCheck(tabs(p.tokenParts()), check)
}

// tabs makes a gap of each tab that blanks stand before: a gap stands for tabs too, and would pass over it.
func tabs(parts []part) (out []part) {
	for i, x := range parts {
		last := len(out) - 1
		tab := string(x.text) == "\t" && (i == 0 || last >= 0 && out[last].blanks > 0)
		switch {
		case tab && last >= 0:
			out[last].blanks++
		case tab:
			out = append(out, part{blanks: 1, slot: -1})
		case x.blanks > 0 && last >= 0 && out[last].blanks > 0:
			out[last].blanks += x.blanks
		default:
			out = append(out, x)
		}
	}
	return out
}

// written is the field of slot i as the template has it. Where digits are passed over nothing else is: the mean or the
// difference of a statistics print would be read as a weight otherwise.
func (p *plan) written(i int) string {
	if field := p.fieldAt(i); field != "ignore" || !p.roles[i].digits {
		return field
	}
	return "digits"
}

func (p *plan) fieldAt(i int) string {
	if i == p.weight {
		return "weight"
	}
	return p.roles[i].field
}

// columnParts writes a grid of columns.
func (p *plan) columnParts() (parts []part) {
	ext := p.extents()
	col := 0
	for i := range p.g.slots {
		field := p.fieldAt(i)
		e := ext[i]
		if e.a > col {
			parts = append(parts, part{blanks: e.a - col, slot: -1})
		}
		switch {
		case field == "":
			parts = append(parts, literalParts(p.constant(i), i)...)
		case i == len(p.g.slots)-1 && (p.g.length == 0 || p.openEnd()):
			parts = append(parts, part{field: p.written(i), slot: i})
		default:
			parts = append(parts, part{field: p.written(i), width: e.b - e.a, slot: i})
		}
		col = e.b
	}
	if p.g.length > col {
		parts = append(parts, part{blanks: p.g.length - col, slot: -1})
	}
	return parts
}

// openEnd says that a text ends the lines, which are as long as one another because its few values are.
func (p *plan) openEnd() bool {
	last := len(p.g.slots) - 1
	switch p.fieldAt(last) {
	case "sample", "person":
		return p.g.slots[last].b == p.g.length && p.g.suffix == nil
	}
	return false
}

// constant is the bytes of a slot that never changes.
func (p *plan) constant(i int) []byte {
	for k := range p.g.lines {
		if v := p.g.value(&p.g.slots[i], k); len(v) > 0 {
			return v
		}
	}
	return nil
}

// literalParts cuts a text at its blanks.
func literalParts(text []byte, slot int) (parts []part) {
	for i := 0; i < len(text); {
		j := i
		for j < len(text) && (text[j] == ' ') == (text[i] == ' ') {
			j++
		}
		if text[i] == ' ' {
			parts = append(parts, part{blanks: j - i, slot: -1})
		} else {
			parts = append(parts, part{text: text[i:j], slot: slot})
		}
		i = j
	}
	return parts
}

// tokenParts writes a grid of tokens: without widths, wherever a field ends by itself.
func (p *plan) tokenParts() (parts []part) {
	for i := range p.g.slots {
		field := p.fieldAt(i)
		least, most := p.gapBefore(i)
		if wide := p.cellWidth(i); least == 0 && most > 0 && field != "" && wide > 0 {
			parts = append(parts, part{field: p.written(i), width: wide, slot: i})
			continue
		}
		cell, blanks := p.cell(i)
		if before, _ := p.cell(i - 1); cell == 0 && before == 0 && i > 0 {
			blanks = min(most, 1)
		}
		if blanks > 0 {
			parts = append(parts, part{blanks: blanks, slot: -1})
		}
		if field == "" {
			parts = append(parts, literalParts(p.constant(i), i)...)
			continue
		}
		w := part{field: p.written(i), slot: i}
		if p.needsWidth(i) || p.multiWord(i) || !p.g.column1(i).empty() || p.roles[i].wide || field == "ignore" && most <= 1 && p.constantWidth(i) == 1 {
			w.width = p.constantWidth(i)
		}
		if cell > 0 {
			w.width = cell
		} else if n := p.paddedText(i); n > 0 {
			w.width = n
		}
		parts = append(parts, w)
		if w.width == 0 && p.dotBehind(i) {
			parts[len(parts)-1].field = "digits"
			parts = append(parts, part{text: []byte("."), slot: -1})
		}
	}
	return parts
}

// withCheck puts the check behind the line, and marks where its span begins and ends.
func (p *plan) withCheck(parts []part, check *checkFound) []part {
	if check == nil || check.after {
		return parts
	}
	return addCheck(parts, check, p.g)
}

// addCheck puts the check at the end of the parts.
func addCheck(parts []part, check *checkFound, g *grid) []part {
	if !g.fixed {
		if n := trailingBlanks(g); n > 0 {
			parts = append(parts, part{blanks: n, slot: -1})
		}
	}
	if check.from > 0 {
		parts = markAt(parts, check.from)
	}
	if check.back > 0 {
		parts = markBack(parts, check.back)
	}
	parts = append(parts, part{field: "check", slot: -1})
	if check.suffix > 0 {
		b := g.suffix
		parts = append(parts, literalParts(b, -1)...)
	}
	return parts
}

func trailingBlanks(g *grid) int {
	least := 1 << 30
	for _, b := range g.lines {
		n := 0
		for n < len(b) && b[len(b)-1-n] == ' ' {
			n++
		}
		least = min(least, n)
	}
	return least
}

// length is how many bytes a part takes, 0 where that varies.
func (x part) length() int {
	switch {
	case x.field != "":
		return x.width
	case x.blanks > 0:
		return x.blanks
	}
	return len(x.text)
}

// markAt puts {from} before byte n of the line. It gives the parts back unchanged where that is inside of a field.
func markAt(parts []part, n int) []part {
	at := 0
	for i, x := range parts {
		if at == n {
			return slices.Insert(parts, i, part{field: "from", slot: -1})
		}
		if at+x.length() > n && x.text != nil {
			left, right := x, x
			left.text, right.text = x.text[:n-at], x.text[n-at:]
			return slices.Replace(parts, i, i+1, left, part{field: "from", slot: -1}, right)
		}
		if at += x.length(); x.length() == 0 || at > n {
			break
		}
	}
	return parts
}

// markBack puts {to} before the last n bytes of the line.
func markBack(parts []part, n int) []part {
	for i := len(parts) - 1; i >= 0 && n > 0; i-- {
		x := parts[i]
		switch {
		case x.length() == n && x.field == "":
			return slices.Insert(parts, i, part{field: "to", slot: -1})
		case x.text != nil && len(x.text) > n:
			left, right := x, x
			left.text, right.text = x.text[:len(x.text)-n], x.text[len(x.text)-n:]
			return slices.Replace(parts, i, i+1, left, part{field: "to", slot: -1}, right)
		}
		if n -= x.length(); x.length() == 0 {
			break
		}
	}
	return parts
}

// write gives the parts as the text of a template.
func write(parts []part, page codePage) string {
	var out strings.Builder
	for _, x := range parts {
		switch {
		case x.field != "" && x.width > 0:
			fmt.Fprintf(&out, "{%s %d}", x.field, x.width)
		case x.field != "":
			fmt.Fprintf(&out, "{%s}", x.field)
		case x.blanks > 0:
			out.WriteString(strings.Repeat(" ", x.blanks))
		default:
			out.WriteString(strings.NewReplacer("{", "{{", "}", "}}").Replace(page.text(x.text)))
		}
	}
	return out.String()
}
