package layout

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// fieldName is what a field of a template holds.
type fieldName uint8

const (
	noField fieldName = iota
	fieldWeight
	fieldUnit
	fieldStability
	fieldKind
	fieldRange
	fieldRangeNumber
	fieldCount
	fieldPerson
	fieldSample
	fieldBalance
	fieldDate
	fieldTime
	fieldCheck
	fieldIgnore
	fieldDigits // digits that are passed over
	markFrom    // where the bytes begin that the check covers
	markTo      // where they end
)

var fieldNames = [...]string{"", "weight", "unit", "stability", "kind", "range", "range_number", "count", "person", "sample", "balance",
	"date", "time", "check", "ignore", "digits", "from", "to"}

// fieldWords is how a sentence speaks of a field.
var fieldWords = [...]string{"", "the weight", "the unit", "the stability", "the kind", "the range", "the range number", "the count",
	"the person", "the sample", "the balance", "the date", "the time", "the check", "what is ignored", "the running number", "", ""}

const fieldList = "weight, unit, stability, kind, range, range_number, count, person, sample, balance, date, time, check, ignore, digits, and the marks from and to"

func fieldByName(name string) (fieldName, bool) {
	for f, n := range fieldNames {
		if n == name && f != 0 {
			return fieldName(f), true
		}
	}
	return noField, false
}

// words says that the field's values are the words of a table.
func (f fieldName) words() bool { return f == fieldStability || f == fieldKind || f == fieldRange }

// text says that the field holds free text.
func (f fieldName) text() bool {
	switch f {
	case fieldPerson, fieldSample, fieldBalance, fieldDate, fieldTime, fieldRangeNumber, fieldIgnore, fieldDigits:
		return true
	}
	return false
}

// passed says that the field's value is passed over, so that a line may have several.
func (f fieldName) passed() bool { return f == fieldIgnore || f == fieldDigits }

// digits says that a field without width is delimited by its own digits.
func (f fieldName) digits() bool { return f == fieldWeight || f == fieldCount }

type pieceKind uint8

const (
	pieceLiteral pieceKind = iota
	pieceGap
	pieceField
	pieceMark
)

// piece is one part of a compiled template.
type piece struct {
	kind    pieceKind
	field   fieldName
	width   int    // bytes; 0 where the field ends by itself
	literal []byte // in the layout's code page
	blanks  int    // of a gap: as many as the template has
	exact   bool   // of a gap: not more than blanks, since a field with a width follows
	column  int    // in the template, in characters from 1

	// What ends a field without width: the literal that follows it, or blanks, or (toEnd) the end of the line.
	stop  []byte
	toEnd bool
	// Of free text: the weight follows, directly or behind blanks, and a sign that stands alone may be the weight's.
	beforeWeight bool
}

const mostWidth = 128

// splitter cuts one template into its pieces.
type splitter struct {
	page    codePage
	pieces  []piece
	literal []rune // not yet a piece
	started int    // the column of its first character

	fault, allowed string // the first thing wrong, as a sentence about the template
}

// splitTemplate cuts a template into its pieces. A fault is a sentence about the template.
func splitTemplate(template string, page codePage) (pieces []piece, fault, allowed string) {
	s := splitter{page: page}
	runes := []rune(template)
	for i := 0; i < len(runes) && s.fault == ""; i++ {
		c := runes[i]
		doubled := i+1 < len(runes) && runes[i+1] == c
		switch {
		case (c == '{' || c == '}') && doubled:
			s.add(c, i+1)
			i++
		case c == '}':
			s.fault, s.allowed = fmt.Sprintf("a } at column %d closes nothing", i+1), "}} for a printed }"
		case c == '{':
			i += s.field(runes[i+1:], i+1)
		case c == ' ':
			s.gap(i + 1)
		default:
			s.add(c, i+1)
		}
	}
	s.flush()
	return s.pieces, s.fault, s.allowed
}

func (s *splitter) add(c rune, column int) {
	if len(s.literal) == 0 {
		s.started = column
	}
	s.literal = append(s.literal, c)
}

// flush makes a piece of the literal before.
func (s *splitter) flush() {
	if len(s.literal) == 0 || s.fault != "" {
		return
	}
	b, missing, ok := s.page.encode(string(s.literal))
	if !ok {
		s.fault, s.allowed = fmt.Sprintf("%q is no character of the layout's code page", missing), "characters of that page, or another code_page"
	}
	s.pieces = append(s.pieces, piece{kind: pieceLiteral, literal: b, column: s.started})
	s.literal = s.literal[:0]
}

func (s *splitter) gap(column int) {
	s.flush()
	if last := len(s.pieces) - 1; last >= 0 && s.pieces[last].kind == pieceGap {
		s.pieces[last].blanks++
		return
	}
	s.pieces = append(s.pieces, piece{kind: pieceGap, blanks: 1, column: column})
}

// field reads a field, after its {, and returns how many characters it takes from there on.
func (s *splitter) field(rest []rune, column int) int {
	s.flush()
	end := slices.IndexFunc(rest, func(c rune) bool { return c == '{' || c == '}' })
	if end < 0 || rest[end] == '{' {
		s.fault, s.allowed = fmt.Sprintf("the { at column %d is never closed", column), "{field} or {field width}; {{ for a printed {"
		return 0
	}
	p, fault, allowed := parseField(string(rest[:end]), column)
	if fault != "" && s.fault == "" {
		s.fault, s.allowed = fault, allowed
	}
	s.pieces = append(s.pieces, p)
	return end + 1
}

// parseField reads what stands between braces: a name and perhaps a width.
func parseField(text string, column int) (p piece, fault, allowed string) {
	name, width, hasWidth := strings.Cut(text, " ")
	f, known := fieldByName(name)
	if !known {
		return p, fmt.Sprintf("{%s} at column %d is no field", text, column), fieldList
	}
	p = piece{kind: pieceField, field: f, column: column}
	if f == markFrom || f == markTo {
		p.kind = pieceMark
	}
	if !hasWidth {
		return p, "", ""
	}
	n, err := strconv.Atoi(width)
	if err != nil || n < 1 || n > mostWidth || strconv.Itoa(n) != width || p.kind == pieceMark {
		return p, fmt.Sprintf("{%s} at column %d has no proper width", text, column),
			fmt.Sprintf("one whole number of characters from 1 to %d, as in {weight 10}; the marks from and to have none", mostWidth)
	}
	p.width = n
	return p, "", ""
}

// linkPieces tells each gap and each open field what follows it.
func linkPieces(pieces []piece) {
	for i := range pieces {
		p := &pieces[i]
		next := following(pieces, i)
		p.beforeWeight = p.kind == pieceField && p.field.text() && nextField(pieces, i) == fieldWeight
		switch {
		case p.kind == pieceGap:
			p.exact = next != nil && next.kind == pieceField && next.width > 0
		case p.kind == pieceField && p.width == 0:
			p.toEnd = next == nil
			if next != nil && next.kind == pieceLiteral {
				p.stop = next.literal
			}
		}
	}
}

// nextField is the field that follows piece number i, directly or behind a gap.
func nextField(pieces []piece, i int) fieldName {
	for i++; i < len(pieces); i++ {
		if pieces[i].kind != pieceMark && pieces[i].kind != pieceGap {
			return pieces[i].field
		}
	}
	return noField
}

// following is the piece after number i, marks passed over, or nil at the end of the line.
func following(pieces []piece, i int) *piece {
	for i++; i < len(pieces); i++ {
		if pieces[i].kind != pieceMark {
			return &pieces[i]
		}
	}
	return nil
}
