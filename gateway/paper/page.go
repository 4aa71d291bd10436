package paper

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"time"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// Format is the size of a page in points.
type Format struct{ Wide, High float64 }

// A4 upright, and lying on its side (ISO 216: 210 mm by 297 mm).
var (
	Upright = Format{595.28, 841.89}
	Lying   = Format{841.89, 595.28}
)

// Measures in points.
const (
	Margin    = 34.0
	Bottom    = 48.0 // what stands below is the footer
	TextSize  = 7.0
	LineStep  = 8.8 // from one line of text of that size to the next
	TitleSize = 13.0
)

// Colours, in the words of a content stream (ISO 32000-1, 8.6.8): shades of grey for text, red for marks.
const (
	Ink      = "0 g\n"
	InkFaint = "0.38 g\n"
	inkMark  = "0.72 0.05 0.1 rg\n"
)

// Pages lays pages out, from top to bottom, and writes each as soon as it is full.
type Pages struct {
	Plain, Bold *Font
	Format
	Footer    Line    // stands at the foot of every page
	Head      func()  // draws what every page begins with
	Y         float64 // the upper edge of what is drawn next, from below
	file      *file
	resources int
	total     int // the drawing that says how many pages there are: written last, drawn on every page
	root      int
	nodes     []int // of the tree of pages
	count     int
	body      bytes.Buffer
	open      bool
}

// nodePages is how many pages one node of the tree of pages has.
const nodePages = 100

// New begins a document whose pages have a format. Where w fails, Err says so from then on, and End does.
func New(w io.Writer, format Format) (*Pages, error) {
	p := newFile(w)
	plain, err := newFont("F", goregular.TTF)
	if err != nil {
		return nil, err
	}
	bold, err := newFont("B", gobold.TTF)
	if err != nil {
		return nil, err
	}
	return &Pages{Format: format, file: p, Plain: plain, Bold: bold, resources: p.reserve(), total: p.reserve(), root: p.reserve(), Head: func() {}}, nil
}

// Need begins a new page unless there are so many points left on this one.
func (p *Pages) Need(points float64) {
	if p.open && p.Y-points < Bottom {
		p.turn()
	}
	if !p.open {
		p.open, p.Y = true, p.High-Margin
		p.count++
		p.Head()
	}
}

// Room is how wide what is drawn may be.
func (p *Pages) Room() float64 { return p.Wide - 2*Margin }

// Err is what went wrong with what the document is written to.
func (p *Pages) Err() error { return p.file.err }

// Shade draws a box in a shade of grey: 0 is black, 1 white.
func (p *Pages) Shade(x, y, wide, high, grey float64) {
	fmt.Fprintf(&p.body, "%.2g g %.2f %.2f %.2f %.2f re f\n", grey, x, y, wide, high)
}

// Left is how many points are left on the page.
func (p *Pages) Left() float64 { return p.Y - Bottom }

// turn ends the page and writes it.
func (p *Pages) turn() {
	if !p.open {
		return
	}
	p.foot()
	if (p.count-1)%nodePages == 0 {
		p.nodes = append(p.nodes, p.file.reserve())
	}
	page, content := p.file.reserve(), p.file.reserve()
	p.file.object(page, fmt.Sprintf("<</Type/Page/Parent %d 0 R/MediaBox[0 0 %.2f %.2f]/Resources %d 0 R/Contents %d 0 R>>",
		p.nodes[len(p.nodes)-1], p.Wide, p.High, p.resources, content))
	p.file.stream(content, "", p.body.Bytes())
	p.body.Reset()
	p.open = false
	if p.count%nodePages == 0 {
		p.node()
	}
}

// node writes the newest node of the tree of pages. The pages in it have every second number after its own.
func (p *Pages) node() {
	n := p.nodes[len(p.nodes)-1]
	var kids strings.Builder
	pages := (p.count-1)%nodePages + 1
	for i := range pages {
		fmt.Fprintf(&kids, "%d 0 R ", n+1+2*i)
	}
	p.file.object(n, fmt.Sprintf("<</Type/Pages/Parent %d 0 R/Count %d/Kids[%s]>>", p.root, pages, kids.String()))
}

// foot writes the footer. How many pages there are is not yet known: a drawing that is written last says it.
func (p *Pages) foot() {
	const y, room = 26.0, 40.0
	p.Rule(Bottom-8, 0.6)
	p.Text(p.Plain, TextSize, Margin, y, p.Footer, InkFaint)
	page := p.Line(p.Plain, fmt.Sprintf("page %d of ", p.count))
	x := p.Wide - Margin - room
	p.Text(p.Plain, TextSize, x-float64(page.width)*TextSize/1000, y, page, InkFaint)
	fmt.Fprintf(&p.body, "q 1 0 0 1 %.2f %.2f cm /N Do Q\n", x, y)
}

// End writes what all pages share.
func (p *Pages) End(title, maker string, made time.Time, id []byte) error {
	p.turn()
	if p.count%nodePages != 0 {
		p.node()
	}
	var total bytes.Buffer
	drawText(&total, p.Plain, TextSize, 0, 0, p.Line(p.Plain, fmt.Sprintf("%d", p.count)), InkFaint)
	plain, bold, catalog, info := p.file.reserve(), p.file.reserve(), p.file.reserve(), p.file.reserve()
	p.file.stream(p.total, fmt.Sprintf("/Type/XObject/Subtype/Form/BBox[0 -3 60 10]/Resources<</Font<</F %d 0 R>>>>", plain), total.Bytes())
	p.file.object(p.resources, fmt.Sprintf("<</Font<</F %d 0 R/B %d 0 R>>/XObject<</N %d 0 R>>>>", plain, bold, p.total))
	if err := p.Plain.write(p.file, plain); err != nil {
		return err
	}
	if err := p.Bold.write(p.file, bold); err != nil {
		return err
	}
	var kids strings.Builder
	for _, n := range p.nodes {
		fmt.Fprintf(&kids, "%d 0 R ", n)
	}
	p.file.object(p.root, fmt.Sprintf("<</Type/Pages/Count %d/Kids[%s]>>", p.count, kids.String()))
	p.file.object(catalog, fmt.Sprintf("<</Type/Catalog/Pages %d 0 R/Lang(en)/ViewerPreferences<</DisplayDocTitle true>>>>", p.root))
	p.file.object(info, fmt.Sprintf("<</Title %s/Producer %s/CreationDate%s>>", textString(title), textString(maker), dateString(made)))
	return p.file.end(catalog, info, id)
}

// Line lays out a text that has to stay on one line.
func (p *Pages) Line(f *Font, text string) Line { return lineOf(f.atoms(text)) }

// Text draws one line with its left end at x and its base at y.
func (p *Pages) Text(f *Font, size, x, y float64, l Line, ink string) {
	drawText(&p.body, f, size, x, y, l, ink)
}

func drawText(b *bytes.Buffer, f *Font, size, x, y float64, l Line, ink string) {
	for _, one := range l.pieces {
		if one.mark {
			b.WriteString(inkMark)
		} else {
			b.WriteString(ink)
		}
		fmt.Fprintf(b, "BT /%s %.1f Tf %.2f %.2f Td <", f.name, size, x, y)
		for _, code := range one.codes {
			const digits = "0123456789ABCDEF"
			b.Write([]byte{digits[code>>12&15], digits[code>>8&15], digits[code>>4&15], digits[code&15]})
		}
		b.WriteString("> Tj ET\n")
		x += float64(one.width) * size / 1000
	}
}

// Rule draws a line across the page.
func (p *Pages) Rule(y, grey float64) {
	fmt.Fprintf(&p.body, "%.2f G 0.4 w %.2f %.2f m %.2f %.2f l S\n", grey, Margin, y, p.Wide-Margin, y)
}

// Paragraph writes a text across the page.
func (p *Pages) Paragraph(f *Font, size float64, text, ink string) {
	step := size * LineStep / TextSize
	for _, l := range f.Wrap(text, size, p.Room()) {
		p.Need(step)
		p.Y -= step
		p.Text(f, size, Margin, p.Y, l, ink)
	}
}
