package report

import (
	"crypto/sha256"
	"encoding/json"
	"io"
	"time"

	"weighpost/gateway/paper"
)

// Sizes in points. A line of text takes a quarter more than its size.
const (
	outcomeSize = 26.0
	headingSize = 10.5
	bodySize    = 8.5
	cellSize    = 7.2
	between     = 6.0 // of columns
	nameWide    = 150.0
)

func step(size float64) float64 { return size * paper.LineStep / paper.TextSize }

// Write puts a document on paper, A4 upright, as a PDF. made is when it was written, version by which software.
func (d *Document) Write(w io.Writer, version string, made time.Time) error {
	p, err := paper.New(w, paper.Upright)
	if err != nil {
		return err
	}
	s := &sheet{p, d}
	p.Footer = s.within(p.Plain, paper.TextSize, d.Foot, p.Room()-110)
	p.Head = func() {}
	p.Need(0)
	s.top()
	p.Head = s.further
	for i := range d.Parts {
		s.section(&d.Parts[i])
		if err := p.Err(); err != nil {
			return err
		}
	}
	if d.End != "" {
		s.Y -= 8
		s.Need(step(bodySize))
		s.Paragraph(s.Bold, bodySize, d.End, paper.Ink)
	}
	text, err := json.Marshal(d) // a pointer printed would be another each time
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	return p.End(d.Title, "weighpost "+version, made, sum[:16])
}

type sheet struct {
	*paper.Pages
	d *Document
}

// within is as much of a text as fits on one line; what is left out shows as …
func (s *sheet) within(f *paper.Font, size float64, text string, room float64) paper.Line {
	lines := f.Wrap(text, size, room)
	if len(lines) == 1 {
		return lines[0]
	}
	runes := []rune(text)
	const most = 300 // more never fit beside each other
	for n := min(len(runes)-1, most); n > 0; n-- {
		if l := s.Line(f, string(runes[:n])+"…"); l.Width(size) <= room {
			return l
		}
	}
	return lines[0]
}

// top is what the first page begins with.
func (s *sheet) top() {
	d := s.d
	s.draft()
	s.Paragraph(s.Bold, paper.TitleSize, d.Title, paper.Ink)
	for _, u := range d.Under {
		s.Paragraph(s.Plain, 9, u, paper.Ink)
	}
	if d.Outcome != "" {
		s.Y -= 6
		s.Paragraph(s.Bold, outcomeSize, d.Outcome, paper.Ink)
		s.Y -= 4
	}
	for _, l := range d.Lead {
		s.Paragraph(s.Plain, 9, l, paper.Ink)
	}
}

// draft says on a page that the report is not issued.
func (s *sheet) draft() {
	if !s.d.Draft {
		return
	}
	s.Y -= step(bodySize)
	s.Mark(s.Bold, bodySize, paper.Margin, s.Y, NotIssued)
	s.Y -= 4
}

// further is what every other page begins with: outcome and title, so that a page alone is never taken for another's.
func (s *sheet) further() {
	text := s.d.Title
	for _, u := range s.d.Under {
		text += " · " + u
	}
	if s.d.Outcome != "" {
		text = s.d.Outcome + " · " + text
	}
	s.draft()
	s.Y -= step(paper.TextSize)
	s.Text(s.Plain, paper.TextSize, paper.Margin, s.Y, s.within(s.Plain, paper.TextSize, text, s.Room()), paper.InkFaint)
	s.Y -= 8
}

func (s *sheet) section(one *Section) {
	s.Need(s.together(one))
	s.Y -= 10
	s.Paragraph(s.Bold, headingSize, one.Name, paper.Ink)
	s.Rule(s.Y-3, 0.6)
	s.Y -= 5
	for _, f := range one.Facts {
		s.fact(f)
	}
	if len(one.Facts) > 0 {
		s.Y -= 4
	}
	if one.Table != nil {
		s.table(one.Table)
	}
	if one.Chart != nil {
		s.chart(one.Chart)
	}
	if one.Code != "" {
		s.code(one.Code)
	}
	if len(one.Notes) > 0 {
		s.Y -= 2
	}
	for _, n := range one.Notes {
		s.Paragraph(s.Plain, bodySize, n, paper.Ink)
	}
}

// unbroken is how high something may be that stands on one page, below what every page begins with.
var unbroken = paper.Upright.High - paper.Margin - paper.Bottom - 80

// together is how much room a section begins with, so that its name does not stand alone at the foot of a page: a few lines, and the first row of
// its table, its chart, or its code with all of its facts.
func (s *sheet) together(one *Section) float64 {
	const some = 60.0
	all := some
	if one.Code != "" || one.Chart != nil || one.Table != nil {
		for _, f := range one.Facts {
			names, values := s.factLines(f)
			all += float64(max(len(names), len(values))) * step(bodySize)
		}
	}
	switch {
	case one.Code != "":
		all += codeSide
	case one.Chart != nil:
		all += chartHigh
	case one.Table != nil && len(one.Table.Rows) > 0:
		_, lines := s.lay(one.Table, &one.Table.Rows[0])
		all += float64(lines) * step(cellSize)
	}
	if all < unbroken {
		return all
	}
	return some
}

func (s *sheet) factLines(f Fact) (names, values []paper.Line) {
	return s.Plain.Wrap(f.Name, bodySize, nameWide-between), s.Plain.Wrap(f.Value, bodySize, s.Room()-nameWide)
}

func (s *sheet) fact(f Fact) {
	names, values := s.factLines(f)
	for i := range max(len(names), len(values)) {
		s.Need(step(bodySize))
		s.Y -= step(bodySize)
		if i < len(names) {
			s.Text(s.Plain, bodySize, paper.Margin, s.Y, names[i], paper.InkFaint)
		}
		if i < len(values) {
			s.Text(s.Plain, bodySize, paper.Margin+nameWide, s.Y, values[i], paper.Ink)
		}
	}
}

// table draws a table. Heads come again on every page that it goes over; a row that fits on a page is not broken.
func (s *sheet) table(t *Table) {
	s.heads(t)
	usual := s.Head
	s.Head = func() { usual(); s.heads(t) }
	defer func() { s.Head = usual }()
	for _, r := range t.Rows {
		cells, lines := s.lay(t, &r)
		if high := float64(lines)*step(cellSize) + 4; high < unbroken {
			s.Need(high)
			s.row(t, cells, 0, lines, r.Out)
		} else {
			for n := range lines {
				s.Need(step(cellSize))
				s.row(t, cells, n, n+1, r.Out)
			}
		}
		s.Y -= 3
		s.Rule(s.Y, 0.85)
		s.Y--
	}
}

// lay breaks the cells of a row into lines, and gives how many the longest has.
func (s *sheet) lay(t *Table, r *Row) (cells [][]paper.Line, lines int) {
	cells, lines = make([][]paper.Line, len(t.Heads)), 1
	for i, h := range t.Heads {
		cells[i] = s.Plain.Wrap(r.Cells[i], cellSize, h.Share*s.Room()-between)
		lines = max(lines, len(cells[i]))
	}
	return cells, lines
}

func (s *sheet) heads(t *Table) {
	lines := 1
	cells := make([][]paper.Line, len(t.Heads))
	for i, h := range t.Heads {
		cells[i] = s.Bold.Wrap(h.Name, cellSize, h.Share*s.Room()-between)
		lines = max(lines, len(cells[i]))
	}
	high := float64(lines)*step(cellSize) + 4
	s.Need(high + 3*step(cellSize))
	s.Shade(paper.Margin-2, s.Y-high, s.Room()+4, high, 0.92)
	left := paper.Margin
	for i, h := range t.Heads {
		for n, l := range cells[i] {
			s.Text(s.Bold, cellSize, s.at(h, left, l), s.Y-float64(n+1)*step(cellSize), l, paper.Ink)
		}
		left += h.Share * s.Room()
	}
	s.Y -= high
}

// at is where a line begins in its column.
func (s *sheet) at(h Head, left float64, l paper.Line) float64 {
	if h.Right {
		return left + h.Share*s.Room() - between - l.Width(cellSize)
	}
	return left
}

// row draws lines of the cells of a row. Each cell is written whole before the next: so it is read aloud, searched and copied.
func (s *sheet) row(t *Table, cells [][]paper.Line, from, to int, out bool) {
	ink, left := paper.Ink, paper.Margin
	if out {
		ink = paper.InkFaint
	}
	for i, h := range t.Heads {
		for n := from; n < min(to, len(cells[i])); n++ {
			s.Text(s.Plain, cellSize, s.at(h, left, cells[i][n]), s.Y-float64(n-from+1)*step(cellSize), cells[i][n], ink)
		}
		left += h.Share * s.Room()
	}
	s.Y -= float64(to-from) * step(cellSize)
}
