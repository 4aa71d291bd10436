package layout

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/strict"
	"weighpost/parsers/sum"
	"weighpost/parsers/unit"
)

// Parse reads a layout file. The name is for messages and for Name: the file's name. The error is a strict.Faults with
// every mistake, each with its line and column.
func Parse(name string, src []byte) (*Layout, error) {
	var s source
	doc, faults := strict.Load(name, src, &s)
	r := doc.Report()
	digest := sha256.Sum256(src)
	c := compiler{source: &s, l: &Layout{name: name, text: string(src), hash: "sha256:" + hex.EncodeToString(digest[:])}}
	c.compile(r)
	faults = append(faults, r.Faults()...)
	faults.Sort()
	if err := faults.Err(); err != nil {
		return nil, err
	}
	return c.l, nil
}

// compiler turns what a person wrote into what Apply uses, and reports whatever cannot work.
type compiler struct {
	source *source
	l      *Layout
	used   uint32 // the fields and marks that any line has
	broken bool   // a template cannot be read
}

func (c *compiler) uses(f fieldName) bool { return c.used&(1<<f) != 0 }

func (c *compiler) compile(r *strict.Report) {
	// The keys with few choices (enum in source) are held to them by package strict: no look-up here can miss.
	c.l.page = codePages[c.source.CodePage]
	c.weight(r.At("weight"))
	c.l.stability = c.table(r.At("stability"), c.source.Stability, stabilityNames[:])
	c.l.kinds = c.table(r.At("kind"), c.source.Kind, kindNames[:])
	c.l.ranges = c.table(r.At("range"), c.source.Range, rangeNames[:])
	c.units(r.At("unit"))
	c.date(r.At("date"))
	c.check(r.At("check"))
	c.frame(r.At("frame"))
	c.lines(r)
	c.whole(r)
}

// encode gives the bytes of printed text in the layout's code page.
func (c *compiler) encode(r *strict.Report, text string) []byte {
	b, missing, ok := c.l.page.encode(text)
	if !ok {
		r.Fault(fmt.Sprintf("%q is no character of the code page %s", missing, c.source.CodePage), "characters of that page, or another code_page")
	}
	return b
}

// word checks and encodes a printed word of a table.
func (c *compiler) word(r *strict.Report, text string) []byte {
	if strings.Trim(text, " \t") != text {
		r.Fault(fmt.Sprintf("the word %q has blanks around it; blanks around a field are never part of its words", text),
			`the word alone; "" for one that is not printed`)
	}
	return c.encode(r, text)
}

// table compiles a table of meanings, whose values are the names, in order of their number.
func (c *compiler) table(r *strict.Report, words map[string]string, names []string) wordTable {
	var t wordTable
	for text, meaning := range words {
		at := r.At(text)
		value := slices.Index(names, meaning)
		if value < 0 {
			at.Fault(fmt.Sprintf("%q is no meaning that a word can have here", meaning), strings.Join(names, ", "))
			continue
		}
		t = append(t, word{c.word(at, text), uint8(value)})
	}
	t.sort()
	return t
}

var groupings = map[string]byte{"": 0, "none": 0, "space": ' ', "apostrophe": '\'', "point": '.', "comma": ','}
var decimals = map[string]byte{"": '.', "point": '.', "comma": ','}
var checkForms = map[string]checkForm{"": writtenHex, "hex": writtenHex, "raw": writtenRaw, "decimal": writtenDecimal}
var signs = map[string]signPlace{"": signAttached, "attached": signAttached, "detached": signDetached, "trailing": signTrailing}
var brackets = map[string][2]byte{"": {}, "none": {}, "square": {'[', ']'}, "round": {'(', ')'}, "angle": {'<', '>'}}

func (c *compiler) weight(r *strict.Report) {
	s, n := &c.source.Weight, &c.l.number
	n.decimal = decimals[s.Decimal]
	n.decimals = s.Decimals
	for i, d := range s.Decimals {
		if d < 0 || d > mostDigits {
			r.At("decimals").Index(i).Fault(fmt.Sprintf("%d is no number of decimals", d), fmt.Sprintf("0 to %d", mostDigits))
		}
	}
	n.group = groupings[s.Grouping]
	n.sign = signs[s.Sign]
	pair := brackets[s.Brackets]
	n.open, n.shut = pair[0], pair[1]
	if n.group != 0 && n.group == n.decimal {
		r.At("grouping").Fault("the same character would group digits and begin the decimals", "another grouping or another decimal sign")
	}
	marks := func(r *strict.Report, texts []string) (marks [][]byte) {
		for i, text := range texts {
			if text == "" {
				r.Index(i).Fault("a mark for a weight out of range is empty", "what the balance prints, such as \"FULL\"")
			}
			if slices.ContainsFunc(append(n.over, n.under...), func(m []byte) bool { return string(m) == text }) {
				r.Index(i).Fault(fmt.Sprintf("%q would mean both over and under", text), "each mark once")
			}
			marks = append(marks, c.word(r.Index(i), text))
		}
		return marks
	}
	n.over = marks(r.At("over"), s.Over)
	n.under = marks(r.At("under"), s.Under)
}

func (c *compiler) units(r *strict.Report) {
	s, u := &c.source.Unit, &c.l.unit
	u.always = c.namedUnit(r.At("always"), s.Always)
	u.fallback = c.namedUnit(r.At("missing_unit"), s.MissingUnit)
	if u.missing = s.Missing == "unstable"; !u.missing && s.MissingUnit != "" {
		r.At("missing_unit").Fault("a unit is given for a weight without unit, and such a weight is refused", "missing: unstable beside it")
	}
	for text, key := range s.Words {
		at := r.At("words").At(text)
		if text == "" {
			at.Fault("a unit that is not printed has no word", "missing: unstable, or always: with the unit")
		}
		if unit := c.namedUnit(at, key); unit != nil {
			u.words = append(u.words, unitWord{c.word(at, text), *unit})
		}
	}
	slices.SortFunc(u.words, func(a, b unitWord) int { return strings.Compare(string(a.text), string(b.text)) })
}

// namedUnit finds a unit by the key that layouts use.
func (c *compiler) namedUnit(r *strict.Report, key string) *unit.Unit {
	if key == "" {
		return nil
	}
	u, ok := unit.Named(key)
	if !ok {
		r.Fault(fmt.Sprintf("%q is no unit", key), strings.Join(unit.Keys(), ", "))
		return nil
	}
	return &u
}

func (c *compiler) date(r *strict.Report) {
	s, d := &c.source.Date, &c.l.date
	if s.Order == "" {
		if s.Century != 0 || len(s.Months) > 0 {
			r.Fault("the order of the date is missing", "order: day.month.year, or another order")
		}
		return
	}
	order, ok := parseOrder(s.Order)
	if !ok {
		r.At("order").Fault(fmt.Sprintf("%q is no order of a date", s.Order),
			"year, month and day once each, with nothing or one of - . / and a blank between, such as day.month.year")
	}
	*d = order
	if s.Century != 0 && (s.Century%100 != 0 || s.Century < 1900 || s.Century > 2900) {
		r.At("century").Fault(fmt.Sprintf("%d is no beginning of a century", s.Century), "2000, 1900")
	}
	d.century = s.Century
	if len(s.Months) != 0 && len(s.Months) != 12 {
		r.At("months").Fault(fmt.Sprintf("there are %d names of months", len(s.Months)), "twelve, from January on")
	}
	for i, m := range s.Months {
		b := c.word(r.At("months").Index(i), m)
		if len(b) == 0 || slices.ContainsFunc(d.months, func(o []byte) bool { return string(o) == string(b) }) {
			r.At("months").Index(i).Fault("a month needs a name of its own", "")
		}
		d.months = append(d.months, b)
	}
}

func (c *compiler) check(r *strict.Report) {
	s := &c.source.Check
	if *s == (checkSource{}) {
		return
	}
	kind, known := sum.ByName(s.Sum)
	if !known || kind == sum.None {
		what := fmt.Sprintf("%q is no kind of check", s.Sum)
		if s.Sum == "" {
			what = "the kind of check is missing"
		}
		r.At("sum").Fault(what, strings.Join(sum.Names(), ", "))
	}
	c.l.check = &checkRule{kind: kind, start: s.CoversStart, end: s.CoversEnd, after: s.AfterEnd}
	c.l.check.written = checkForms[s.Written]
	c.l.check.lowFirst = s.First == "low"
	if s.CoversStart && c.source.Frame.Start == "" {
		r.At("covers_start").Fault("the frame has no start bytes", "frame: start")
	}
	if s.CoversStart && !s.AfterEnd && len(c.source.Block) > 0 {
		r.At("covers_start").Fault("the check of a line in a block covers that line", "{from} and {to}, or after_end: true")
	}
	if s.CoversEnd && !s.AfterEnd {
		r.At("covers_end").Fault("the frame's end bytes come after a check that stands in the line", "after_end: true, or leave it out")
	}
	if s.AfterEnd && c.source.Frame.End == "" {
		r.At("after_end").Fault("the frame has no end bytes", "frame: start and end")
	}
}
