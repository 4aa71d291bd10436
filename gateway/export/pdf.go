package export

import (
	"crypto/sha256"
	"fmt"
	"io"
	"strings"

	"weighpost/gateway/paper"
	"weighpost/gateway/record"
	"weighpost/gateway/tell"
)

// pdfColumn is one column of the table of entries.
type pdfColumn struct {
	head  string
	wide  float64 // points, with the gap to the next
	right bool    // aligned to its right edge
	value func(*tell.Row) string
}

const columnGap = 9.0

// pdfColumns are as wide as the page, which a test holds.
var pdfColumns = []pdfColumn{
	{"No.", 46, true, func(r *tell.Row) string { return fmt.Sprint(r.Seq) }},
	{"Time (UTC)", 118, false, timeText},
	{"What happened", 84, false, func(r *tell.Row) string { return tell.Kind(r.Kind) }},
	{"Balance", 60, false, func(r *tell.Row) string { return r.Balance }},
	{"Weight, as printed", 92, true, weightText},
	{"Sample", 84, false, func(r *tell.Row) string { return r.Sample }},
	{"Person", 66, false, func(r *tell.Row) string { return r.Person }},
	{"Details, reason, id", 223.89, false, detailText},
}

func timeText(r *tell.Row) string {
	if r.UTC == "" {
		return "not known"
	}
	text := r.UTC + "\n"
	if r.Bound == "" {
		text += "bound unknown"
	} else {
		text += "± " + r.Bound + " s"
	}
	text += ", " + r.Clock
	if r.Corrected != "" {
		text += "\ncorrected to\n" + r.Corrected + "\n± " + r.CorrectedBound + " s"
	}
	return text
}

// weightText shows digits and unit as the record has them: nothing is put into another form.
func weightText(r *tell.Row) string {
	unit := r.PrintedUnit
	if unit == "" {
		unit = r.Unit
	}
	return strings.TrimSuffix(r.Digits+" "+unit, " ")
}

func detailText(r *tell.Row) string {
	var lines []string
	for _, one := range [][2]string{{"", r.What}, {"Reason: ", r.Why}, {"Method: ", r.Method}, {"Run: ", r.Run}, {"Lot: ", r.Lot}, {"id ", r.ID}} {
		if one[1] != "" {
			lines = append(lines, one[0]+one[1])
		}
	}
	return strings.Join(lines, "\n")
}

// pdfWriter writes entries as a table over pages, and what proves its range after them.
type pdfWriter struct {
	p           *paper.Pages
	m           *Manifest
	corrections *record.Corrections
	table       bool // pages have the heads of the columns
}

func newPDF(w io.Writer, m *Manifest, c *record.Corrections) (writer, error) {
	p, err := paper.New(w, paper.Lying)
	if err != nil {
		return nil, err
	}
	x := &pdfWriter{p: p, m: m, corrections: c, table: true}
	p.Footer = p.Line(p.Plain, fmt.Sprintf("%s · made %s by weighpost %s", m.Origin, m.Made, m.Version))
	p.Head = x.first
	p.Need(0)
	p.Head = x.further
	return x, nil
}

func (x *pdfWriter) title() string { return "Audit trail of " + x.m.Site }

// first is what the first page begins with.
func (x *pdfWriter) first() {
	p, m := x.p, x.m
	p.Paragraph(p.Bold, paper.TitleSize, x.title(), paper.Ink)
	p.Y -= 3
	p.Paragraph(p.Plain, 9, "Filter: "+m.Filter, paper.Ink)
	p.Paragraph(p.Plain, 9, m.Counts(), paper.Ink)
	if m.Entries > 0 {
		p.Paragraph(p.Plain, 9, fmt.Sprintf("From entry %d to entry %d. %s The proof is at the end.", m.First, m.Last, m.Covered()), paper.Ink)
	}
	p.Paragraph(p.Plain, paper.TextSize, "A red ‹U+0000› stands for a character, by its code point, that this document has no picture of. "+
		"Times are those of the record: UTC, how far they may be off, and the state of the clock.", paper.InkFaint)
	p.Y -= 6
	x.heads()
}

// further is what every other page begins with.
func (x *pdfWriter) further() {
	p := x.p
	text := x.title() + " · " + x.m.Filter
	lines := p.Plain.Wrap(text, paper.TextSize, p.Room()-120)
	p.Y -= paper.LineStep
	p.Text(p.Plain, paper.TextSize, paper.Margin, p.Y, lines[0], paper.InkFaint)
	if len(lines) > 1 {
		p.Text(p.Plain, paper.TextSize, p.Wide-paper.Margin-112, p.Y, p.Line(p.Plain, "… (in full on page 1)"), paper.InkFaint)
	}
	p.Y -= 6
	if x.table {
		x.heads()
	}
}

// heads draws the heads of the columns.
func (x *pdfWriter) heads() {
	p := x.p
	const high = 14.0
	p.Shade(paper.Margin-2, p.Y-high, p.Room()+4, high, 0.9)
	left := paper.Margin
	for _, c := range pdfColumns {
		x.cell(p.Bold, left, p.Y-high+4, c, p.Line(p.Bold, c.head), paper.Ink)
		left += c.wide
	}
	p.Y -= high + 2
}

// cell draws one line of a cell.
func (x *pdfWriter) cell(f *paper.Font, left, y float64, c pdfColumn, l paper.Line, ink string) {
	if c.right {
		left += c.wide - columnGap - l.Width(paper.TextSize)
	}
	x.p.Text(f, paper.TextSize, left, y, l, ink)
}

// entry draws one entry as one block: on the next page where it does not fit on this one, and over several pages only where
// it does not fit on any.
func (x *pdfWriter) entry(e record.Entry) error {
	r, err := tell.RowOf(e, x.corrections)
	if err != nil {
		return err
	}
	p := x.p
	cells, lines := make([][]paper.Line, len(pdfColumns)), 0
	for i, c := range pdfColumns {
		cells[i] = p.Plain.Wrap(c.value(&r), paper.TextSize, c.wide-columnGap)
		lines = max(lines, len(cells[i]))
	}
	const around = 4.0 // points between entries
	p.Need(around + min(float64(lines)*paper.LineStep, emptyPage))
	for from := 0; from < lines; {
		if from > 0 {
			cells[0] = append(make([]paper.Line, from), p.Plain.Wrap(fmt.Sprintf("%d, goes on", r.Seq), paper.TextSize, pdfColumns[0].wide-columnGap)...)
			p.Need(emptyPage)
		}
		fit := min(int((p.Left()-around)/paper.LineStep), lines-from)
		x.block(cells, from, from+max(fit, 1))
		from += max(fit, 1)
	}
	p.Y -= around
	p.Rule(p.Y+1.5, 0.85)
	return p.Err()
}

// emptyPage is what a page surely has room for below its heads, in points.
var emptyPage = paper.Lying.High - paper.Margin - paper.Bottom - 60

// block draws some lines of all cells.
func (x *pdfWriter) block(cells [][]paper.Line, from, to int) {
	left := paper.Margin
	for i, c := range pdfColumns {
		for n := from; n < min(to, len(cells[i])); n++ {
			x.cell(x.p.Plain, left, x.p.Y-float64(n-from+1)*paper.LineStep+2, c, cells[i][n], paper.Ink)
		}
		left += c.wide
	}
	x.p.Y -= float64(to-from) * paper.LineStep
}

// close writes the proof, and ends the file.
func (x *pdfWriter) close(m *Manifest) error {
	p := x.p
	x.table = false
	if m.Entries == 0 {
		p.Paragraph(p.Plain, 9, "No entry is what the filter asks for.", paper.Ink)
	}
	x.proof(m)
	sum := sha256.Sum256([]byte(m.Origin + m.Made.String() + m.Leaves + m.Query))
	return p.End(x.title(), "weighpost "+m.Version, m.Made.Time(), sum[:16])
}

// proof writes what shows that the entries listed are those of the journal.
func (x *pdfWriter) proof(m *Manifest) {
	p := x.p
	p.Need(260)
	p.Y -= 14
	p.Paragraph(p.Bold, 11, "Proof of the range", paper.Ink)
	p.Y -= 3
	say := func(text string) { p.Paragraph(p.Plain, 8.5, text, paper.Ink) }
	say("Journal: " + m.Origin)
	say("Filter: " + m.Filter)
	say("Listed: " + m.Counts())
	if m.Entries > 0 {
		say(fmt.Sprintf("First entry listed: %d. Last entry listed: %d.", m.First, m.Last))
	}
	say("SHA-256 over the leaf hashes of the entries listed, in their order (RFC 6962, section 2.1):")
	say(m.Leaves)
	say("SHA-256 over their ids, each with a line end:")
	say(m.IDs)
	p.Y -= 4
	say(m.Covered())
	if m.Checkpoint != "" {
		say("The checkpoint, signed by the key " + m.Key + ". The signature shows something only to whoever has the key from elsewhere.")
		p.Y -= 2
		for l := range strings.Lines(m.Checkpoint) {
			say(strings.TrimSuffix(l, "\n"))
		}
	}
	p.Y -= 4
	say("To hold this document against its journal, with the manifest that was written beside it:")
	say("weighpost validate export FILE" + ManifestSuffix + " --journal FOLDER --key KEY")
}
