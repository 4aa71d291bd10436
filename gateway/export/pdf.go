package export

import (
	"crypto/sha256"
	"fmt"
	"io"
	"strings"

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
	p           *pdfPages
	m           *Manifest
	corrections *record.Corrections
	table       bool // pages have the heads of the columns
}

func newPDF(w io.Writer, m *Manifest, c *record.Corrections) (writer, error) {
	p, err := newPDFPages(newPDFFile(w))
	if err != nil {
		return nil, err
	}
	x := &pdfWriter{p: p, m: m, corrections: c, table: true}
	p.footer = p.line(p.plain, fmt.Sprintf("%s · made %s by weighpost %s", m.Origin, m.Made, m.Version))
	p.head = x.first
	p.need(0)
	p.head = x.further
	return x, nil
}

func (x *pdfWriter) title() string { return "Audit trail of " + x.m.Site }

// first is what the first page begins with.
func (x *pdfWriter) first() {
	p, m := x.p, x.m
	p.paragraph(p.bold, titleSize, x.title(), inkText)
	p.y -= 3
	p.paragraph(p.plain, 9, "Filter: "+m.Filter, inkText)
	p.paragraph(p.plain, 9, m.Counts(), inkText)
	if m.Entries > 0 {
		p.paragraph(p.plain, 9, fmt.Sprintf("From entry %d to entry %d. %s The proof is at the end.", m.First, m.Last, m.Covered()), inkText)
	}
	p.paragraph(p.plain, textSize, "A red ‹U+0000› stands for a character, by its code point, that this document has no picture of. "+
		"Times are those of the record: UTC, how far they may be off, and the state of the clock.", inkFaint)
	p.y -= 6
	x.heads()
}

// further is what every other page begins with.
func (x *pdfWriter) further() {
	p := x.p
	text := x.title() + " · " + x.m.Filter
	lines := p.plain.wrap(text, textSize, pageRoom-120)
	p.y -= textLine
	p.text(p.plain, textSize, pageMargin, p.y, lines[0], inkFaint)
	if len(lines) > 1 {
		p.text(p.plain, textSize, pageWide-pageMargin-112, p.y, p.line(p.plain, "… (in full on page 1)"), inkFaint)
	}
	p.y -= 6
	if x.table {
		x.heads()
	}
}

// heads draws the heads of the columns.
func (x *pdfWriter) heads() {
	p := x.p
	const high = 14.0
	fmt.Fprintf(&p.body, "0.9 g %.2f %.2f %.2f %.2f re f\n", pageMargin-2, p.y-high, pageRoom+4, high)
	left := pageMargin
	for _, c := range pdfColumns {
		x.cell(p.bold, left, p.y-high+4, c, p.line(p.bold, c.head), inkText)
		left += c.wide
	}
	p.y -= high + 2
}

// cell draws one line of a cell.
func (x *pdfWriter) cell(f *pdfFont, left, y float64, c pdfColumn, l line, ink string) {
	if c.right {
		left += c.wide - columnGap - float64(l.width)*textSize/1000
	}
	x.p.text(f, textSize, left, y, l, ink)
}

// entry draws one entry as one block: on the next page where it does not fit on this one, and over several pages only where
// it does not fit on any.
func (x *pdfWriter) entry(e record.Entry) error {
	r, err := tell.RowOf(e, x.corrections)
	if err != nil {
		return err
	}
	p := x.p
	cells, lines := make([][]line, len(pdfColumns)), 0
	for i, c := range pdfColumns {
		cells[i] = p.plain.wrap(c.value(&r), textSize, c.wide-columnGap)
		lines = max(lines, len(cells[i]))
	}
	const around = 4.0 // points between entries
	p.need(around + min(float64(lines)*textLine, emptyPage))
	for from := 0; from < lines; {
		if from > 0 {
			cells[0] = append(make([]line, from), p.plain.wrap(fmt.Sprintf("%d, goes on", r.Seq), textSize, pdfColumns[0].wide-columnGap)...)
			p.need(emptyPage)
		}
		fit := min(int((p.left()-around)/textLine), lines-from)
		x.block(cells, from, from+max(fit, 1))
		from += max(fit, 1)
	}
	p.y -= around
	p.rule(p.y+1.5, 0.85)
	return p.file.err
}

// emptyPage is what a page surely has room for below its heads, in points.
const emptyPage = pageHigh - pageMargin - pageBottom - 60

// block draws some lines of all cells.
func (x *pdfWriter) block(cells [][]line, from, to int) {
	left := pageMargin
	for i, c := range pdfColumns {
		for n := from; n < min(to, len(cells[i])); n++ {
			x.cell(x.p.plain, left, x.p.y-float64(n-from+1)*textLine+2, c, cells[i][n], inkText)
		}
		left += c.wide
	}
	x.p.y -= float64(to-from) * textLine
}

// close writes the proof, and ends the file.
func (x *pdfWriter) close(m *Manifest) error {
	p := x.p
	x.table = false
	if m.Entries == 0 {
		p.paragraph(p.plain, 9, "No entry is what the filter asks for.", inkText)
	}
	x.proof(m)
	sum := sha256.Sum256([]byte(m.Origin + m.Made.String() + m.Leaves + m.Query))
	return p.end(x.title(), "weighpost "+m.Version, m.Made.Time(), sum[:16])
}

// proof writes what shows that the entries listed are those of the journal.
func (x *pdfWriter) proof(m *Manifest) {
	p := x.p
	p.need(260)
	p.y -= 14
	p.paragraph(p.bold, 11, "Proof of the range", inkText)
	p.y -= 3
	say := func(text string) { p.paragraph(p.plain, 8.5, text, inkText) }
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
	p.y -= 4
	say(m.Covered())
	if m.Checkpoint != "" {
		say("The checkpoint, signed by the key " + m.Key + ". The signature shows something only to whoever has the key from elsewhere.")
		p.y -= 2
		for l := range strings.Lines(m.Checkpoint) {
			say(strings.TrimSuffix(l, "\n"))
		}
	}
	p.y -= 4
	say("To hold this document against its journal, with the manifest that was written beside it:")
	say("weighpost validate export FILE" + ManifestSuffix + " --journal FOLDER --key KEY")
}
