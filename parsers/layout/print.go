package layout

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"weighpost/parsers/frame"
	"weighpost/parsers/sum"
	"weighpost/parsers/unit"
)

// Values is what Print puts into a frame. Empty and unknown values are those that are not printed.
type Values struct {
	Digits          string // ASCII with a point, as Reading.Digits gives them; "" out of range
	Unit            string // key of the unit: its UCUM code, or our own name
	Kind            Kind
	Stability       Stability
	Range           Range
	AuxiliaryDigits int // how many of the last digits go into brackets

	Person, Sample, Balance, Count, Time, RangeNumber string

	Date string // ISO 8601 where the layout knows the order, else as printed
}

// ValuesOf gives the values of a reading, so that Print writes what Apply has read.
func ValuesOf(r *Reading) Values {
	v := Values{
		Digits: r.Digits(), Unit: r.Unit.Key(), Kind: r.Kind, Stability: r.Stability, Range: r.Range, AuxiliaryDigits: r.AuxiliaryDigits,
		Person: r.Person(), Sample: r.Sample(), Balance: r.Balance(), Time: r.Time(), RangeNumber: r.RangeNumber(), Date: r.Date(),
	}
	v.Count = string(r.bytes(r.count))
	return v
}

// Print appends the frame that a balance with this layout sends for the values: the inverse of Apply, for simulated
// balances and for tests. What it appends was read back: Apply gives the same number, unit and range, and nothing that
// contradicts another value; it may say less, where the layout has no place for a value. Where no frame does that, Print
// appends nothing and the error says why.
func (l *Layout) Print(dst []byte, v Values) ([]byte, error) {
	var firstErr error
	try := func(lines []line) ([]byte, bool) {
		p := printer{l: l, v: &v, out: bytes.Clone(l.rule.Start)}
		p.frame(lines)
		err := p.err
		if err == nil {
			err = l.readsBack(p.out, &v)
		}
		if err != nil && firstErr == nil {
			firstErr = err
		}
		return p.out, err == nil
	}
	if l.block {
		if out, ok := try(l.lines); ok {
			return append(dst, out...), nil
		}
	} else {
		for i := range l.lines {
			if out, ok := try(l.lines[i : i+1]); ok {
				return append(dst, out...), nil
			}
		}
	}
	return dst, fmt.Errorf("layout %s cannot print this: %w", l.name, firstErr)
}

// printer writes one frame.
type printer struct {
	l     *Layout
	v     *Values
	out   []byte
	err   error
	wrote uint32 // fields
}

func (p *printer) fail(format string, args ...any) {
	if p.err == nil {
		p.err = fmt.Errorf(format, args...)
	}
}

func (p *printer) frame(lines []line) {
	rule := &p.l.rule
	for i := range lines {
		if p.skips(&lines[i]) {
			continue
		}
		p.line(&lines[i])
		if p.l.block {
			p.out = append(p.out, rule.Terminators[0]...)
		}
	}
	bodyEnd := len(p.out)
	p.out = append(p.out, rule.End...)
	if c := p.l.check; c != nil && c.after {
		from, to := len(rule.Start), bodyEnd
		if c.start {
			from = 0
		}
		if c.end {
			to = len(p.out)
		}
		p.out = c.write(p.out, sum.Compute(c.kind, p.out[from:to]))
	}
	switch {
	case rule.Block != nil:
		for range rule.Block.BlankLines {
			p.out = append(p.out, rule.Terminators[0]...)
		}
	case len(rule.Terminators) > 0:
		p.out = append(p.out, rule.Terminators[0]...)
	}
}

// skips says whether an optional line has nothing to say.
func (p *printer) skips(ln *line) bool {
	if !ln.optional {
		return false
	}
	if ln.kind != KindUnknown && ln.kind != p.v.Kind {
		return true
	}
	for i := range ln.pieces {
		q := &ln.pieces[i]
		if q.field == fieldWeight && p.wrote&(1<<fieldWeight) != 0 || !q.field.passed() && q.field.text() && p.text(q.field) == "" {
			return true
		}
	}
	return false
}

func (p *printer) line(ln *line) {
	from, to, start := -1, -1, len(p.out)
	for i := range ln.pieces {
		q := &ln.pieces[i]
		p.wrote |= 1 << q.field
		switch {
		case q.field == markFrom:
			from = len(p.out)
		case q.field == markTo:
			to = len(p.out)
		case q.kind == pieceLiteral:
			p.out = append(p.out, q.literal...)
		case q.kind == pieceGap:
			p.out = append(p.out, strings.Repeat(" ", q.blanks)...)
		case q.field == fieldCheck:
			if from < 0 {
				if from = start; p.l.check.start {
					from = 0
				}
			}
			if to < 0 {
				to = len(p.out)
			}
			p.out = p.l.check.write(p.out, sum.Compute(p.l.check.kind, p.out[from:to]))
		default:
			p.field(q)
		}
	}
	if n := p.l.lineLength - (len(p.out) - start); n > 0 && ln.check == nil {
		p.out = append(p.out, strings.Repeat(" ", n)...) // blanks at the end that the template does not name
	}
}

// field writes a value and fills its width: numbers to the right, words to the left.
func (p *printer) field(q *piece) {
	b := p.value(q)
	if q.width == 0 {
		p.out = append(p.out, b...)
		return
	}
	pad := q.width - len(b)
	if pad < 0 {
		p.fail("%s, “%s”, is wider than %d", fieldWords[q.field], p.l.page.show(b), q.width)
		return
	}
	blanks := strings.Repeat(" ", pad)
	switch {
	case q.field == fieldWeight && p.l.number.sign == signDetached && len(b) > 0 && isSign(b[0]):
		p.out = append(append(append(p.out, b[0]), blanks...), trimLeft(b[1:])...)
	case q.field.digits():
		p.out = append(append(p.out, blanks...), b...)
	default:
		p.out = append(append(p.out, b...), blanks...)
	}
}

func (p *printer) value(q *piece) []byte {
	switch q.field {
	case fieldWeight:
		return p.weight()
	case fieldUnit:
		return p.unit()
	case fieldStability:
		return p.word(q, uint8(p.v.Stability))
	case fieldKind:
		return p.word(q, uint8(p.v.Kind))
	case fieldRange:
		return p.word(q, uint8(p.v.Range))
	case fieldDigits:
		return []byte{'0'}
	case fieldIgnore:
		if q.width == 0 && !q.toEnd && len(q.stop) == 0 {
			return []byte{'-'}
		}
		return nil
	case fieldDate:
		if d := &p.l.date; d.order[0] != 0 {
			b, ok := d.write(nil, p.v.Date)
			if !ok {
				p.fail("“%s” is no date that the layout can print", p.v.Date)
			}
			return b
		}
	}
	b, missing, ok := p.l.page.encode(p.text(q.field))
	if !ok {
		p.fail("%q is no character of the layout's code page", missing)
	}
	return b
}

func (p *printer) text(f fieldName) string {
	switch f {
	case fieldPerson:
		return p.v.Person
	case fieldSample:
		return p.v.Sample
	case fieldBalance:
		return p.v.Balance
	case fieldCount:
		return p.v.Count
	case fieldTime:
		return p.v.Time
	case fieldRangeNumber:
		return p.v.RangeNumber
	}
	return p.v.Date
}

func (p *printer) word(q *piece, value uint8) []byte {
	b, ok := p.l.table(q.field).text(value)
	if !ok {
		p.fail("the layout has no word for this value of %s", fieldWords[q.field])
	}
	return b
}

func (p *printer) weight() []byte {
	n := &p.l.number
	if p.v.Range != InRange {
		marks := n.over
		if p.v.Range == UnderRange {
			marks = n.under
		}
		if len(marks) == 0 {
			p.fail("the layout has no mark for a weight that is %s range", p.v.Range)
			return nil
		}
		return marks[0]
	}
	digits := p.v.Digits
	sign := ""
	if digits != "" && isSign(digits[0]) {
		sign, digits = digits[:1], digits[1:]
	}
	whole, decimals, point := strings.Cut(digits, ".")
	if n.group != 0 {
		for i := len(whole) - 3; i > 0; i -= 3 {
			whole = whole[:i] + string(n.group) + whole[i:]
		}
	}
	text := whole
	if point {
		text += string(n.decimal) + decimals
	}
	if a := p.v.AuxiliaryDigits; a > 0 {
		if n.open == 0 || a > len(text) {
			p.fail("the layout has no brackets for %d auxiliary digits", a)
			return nil
		}
		text = text[:len(text)-a] + string(n.open) + text[len(text)-a:] + string(n.shut)
	}
	switch {
	case n.sign == signTrailing:
		return []byte(text + sign)
	case n.sign == signDetached && sign != "":
		return []byte(sign + " " + text)
	}
	return []byte(sign + text)
}

// knownSymbols are printed symbols to try for a unit that the layout has no word for.
var knownSymbols = []string{"pcs", "ozt", "dwt", "GN", "car", "lb t", "st"}

func (p *printer) unit() []byte {
	l := p.l
	if p.v.Range != InRange && p.v.Unit == "" || l.unit.missing && p.v.Stability == Unstable {
		return nil
	}
	want, ok := unit.Named(p.v.Unit)
	if !ok {
		p.fail("%q is no unit", p.v.Unit)
		return nil
	}
	for _, w := range l.unit.words {
		if w.unit == want {
			return w.text
		}
	}
	for _, symbol := range append([]string{want.Key()}, knownSymbols...) {
		if b, _, ok := l.page.encode(symbol); ok {
			if u, why := l.lookUp(b, []byte(symbol)); why == whyNone && u == want {
				return b
			}
		}
	}
	p.fail("the layout has no word for the unit %s", p.v.Unit)
	return nil
}

// readsBack makes sure that a printed frame is one frame and says what it was printed for.
func (l *Layout) readsBack(printed []byte, v *Values) error {
	var r Reading
	var err error
	frames := 0
	emit := func(f frame.Frame) {
		if frames++; frames == 1 {
			err = l.Apply(f, &r)
		}
	}
	s := l.Splitter()
	s.Push(printed, emit)
	s.Flush(emit)
	switch {
	case frames != 1:
		return fmt.Errorf("the values would make %d frames in place of one", frames)
	case err != nil:
		return err
	}
	got := ValuesOf(&r)
	if got.Digits != v.Digits || got.Range != v.Range || v.Unit != got.Unit && v.Range == InRange || got.AuxiliaryDigits != v.AuxiliaryDigits ||
		got.Kind != KindUnknown && got.Kind != v.Kind || got.Stability != StabilityUnknown && got.Stability != v.Stability {
		return fmt.Errorf("it would read as %s %s, %s, %s, %s range", got.Digits, got.Unit, got.Kind, got.Stability, got.Range)
	}
	for _, pair := range [][2]string{{got.Person, v.Person}, {got.Sample, v.Sample}, {got.Balance, v.Balance}, {got.Count, v.Count}, {got.Date, v.Date},
		{got.Time, v.Time}, {got.RangeNumber, v.RangeNumber}} {
		if pair[0] != "" && pair[0] != pair[1] {
			return errors.New("“" + pair[1] + "” would read as “" + pair[0] + "”")
		}
	}
	return nil
}
