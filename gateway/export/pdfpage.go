package export

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// Measures in points: A4 lying on its side.
const (
	pageWide, pageHigh = 841.89, 595.28
	pageMargin         = 34.0
	pageRoom           = pageWide - 2*pageMargin
	pageBottom         = 48.0 // what stands below is the footer
	textSize           = 7.0
	textLine           = 8.8 // from one line of text to the next
	titleSize          = 13.0
)

// Colours, in the words of a content stream (ISO 32000-1, 8.6.8): shades of grey for text, red for marks.
const (
	inkText  = "0 g\n"
	inkFaint = "0.38 g\n"
	inkMark  = "0.72 0.05 0.1 rg\n"
)

// pdfPages lays pages out, from top to bottom, and writes each as soon as it is full.
type pdfPages struct {
	file        *pdfFile
	plain, bold *pdfFont
	resources   int
	total       int // the drawing that says how many pages there are: written last, drawn on every page
	root        int
	nodes       []int // of the tree of pages
	count       int
	body        bytes.Buffer
	open        bool
	y           float64
	footer      line
	head        func() // draws what every page begins with
}

// nodePages is how many pages one node of the tree of pages has.
const nodePages = 100

func newPDFPages(p *pdfFile) (*pdfPages, error) {
	plain, err := newPDFFont("F", goregular.TTF)
	if err != nil {
		return nil, err
	}
	bold, err := newPDFFont("B", gobold.TTF)
	if err != nil {
		return nil, err
	}
	return &pdfPages{file: p, plain: plain, bold: bold, resources: p.reserve(), total: p.reserve(), root: p.reserve(), head: func() {}}, nil
}

// need begins a new page unless there are so many points left on this one.
func (p *pdfPages) need(points float64) {
	if p.open && p.y-points < pageBottom {
		p.turn()
	}
	if !p.open {
		p.open, p.y = true, pageHigh-pageMargin
		p.count++
		p.head()
	}
}

// left is how many points are left on the page.
func (p *pdfPages) left() float64 { return p.y - pageBottom }

// turn ends the page and writes it.
func (p *pdfPages) turn() {
	if !p.open {
		return
	}
	p.foot()
	if (p.count-1)%nodePages == 0 {
		p.nodes = append(p.nodes, p.file.reserve())
	}
	page, content := p.file.reserve(), p.file.reserve()
	p.file.object(page, fmt.Sprintf("<</Type/Page/Parent %d 0 R/MediaBox[0 0 %.2f %.2f]/Resources %d 0 R/Contents %d 0 R>>",
		p.nodes[len(p.nodes)-1], pageWide, pageHigh, p.resources, content))
	p.file.stream(content, "", p.body.Bytes())
	p.body.Reset()
	p.open = false
	if p.count%nodePages == 0 {
		p.node()
	}
}

// node writes the newest node of the tree of pages. The pages in it have every second number after its own.
func (p *pdfPages) node() {
	n := p.nodes[len(p.nodes)-1]
	var kids strings.Builder
	pages := (p.count-1)%nodePages + 1
	for i := range pages {
		fmt.Fprintf(&kids, "%d 0 R ", n+1+2*i)
	}
	p.file.object(n, fmt.Sprintf("<</Type/Pages/Parent %d 0 R/Count %d/Kids[%s]>>", p.root, pages, kids.String()))
}

// foot writes the footer. How many pages there are is not yet known: a drawing that is written last says it.
func (p *pdfPages) foot() {
	const y, room = 26.0, 40.0
	p.rule(pageBottom-8, 0.6)
	p.text(p.plain, textSize, pageMargin, y, p.footer, inkFaint)
	page := p.line(p.plain, fmt.Sprintf("page %d of ", p.count))
	x := pageWide - pageMargin - room
	p.text(p.plain, textSize, x-float64(page.width)*textSize/1000, y, page, inkFaint)
	fmt.Fprintf(&p.body, "q 1 0 0 1 %.2f %.2f cm /N Do Q\n", x, y)
}

// end writes what all pages share.
func (p *pdfPages) end(title, maker string, made time.Time, id []byte) error {
	p.turn()
	if p.count%nodePages != 0 {
		p.node()
	}
	var total bytes.Buffer
	drawText(&total, p.plain, textSize, 0, 0, p.line(p.plain, fmt.Sprintf("%d", p.count)), inkFaint)
	plain, bold, catalog, info := p.file.reserve(), p.file.reserve(), p.file.reserve(), p.file.reserve()
	p.file.stream(p.total, fmt.Sprintf("/Type/XObject/Subtype/Form/BBox[0 -3 60 10]/Resources<</Font<</F %d 0 R>>>>", plain), total.Bytes())
	p.file.object(p.resources, fmt.Sprintf("<</Font<</F %d 0 R/B %d 0 R>>/XObject<</N %d 0 R>>>>", plain, bold, p.total))
	if err := p.plain.write(p.file, plain); err != nil {
		return err
	}
	if err := p.bold.write(p.file, bold); err != nil {
		return err
	}
	var kids strings.Builder
	for _, n := range p.nodes {
		fmt.Fprintf(&kids, "%d 0 R ", n)
	}
	p.file.object(p.root, fmt.Sprintf("<</Type/Pages/Count %d/Kids[%s]>>", p.count, kids.String()))
	p.file.object(catalog, fmt.Sprintf("<</Type/Catalog/Pages %d 0 R/Lang(en)/ViewerPreferences<</DisplayDocTitle true>>>>", p.root))
	p.file.object(info, fmt.Sprintf("<</Title %s/Producer %s/CreationDate%s>>", pdfText(title), pdfText(maker), pdfTime(made)))
	return p.file.end(catalog, info, id)
}

// line lays out a text that has to stay on one line.
func (p *pdfPages) line(f *pdfFont, text string) line { return lineOf(f.atoms(text)) }

// text draws one line with its left end at x and its base at y.
func (p *pdfPages) text(f *pdfFont, size, x, y float64, l line, ink string) {
	drawText(&p.body, f, size, x, y, l, ink)
}

func drawText(b *bytes.Buffer, f *pdfFont, size, x, y float64, l line, ink string) {
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

// rule draws a line across the page.
func (p *pdfPages) rule(y, grey float64) {
	fmt.Fprintf(&p.body, "%.2f G 0.4 w %.2f %.2f m %.2f %.2f l S\n", grey, pageMargin, y, pageWide-pageMargin, y)
}

// paragraph writes a text across the page.
func (p *pdfPages) paragraph(f *pdfFont, size float64, text, ink string) {
	step := size * textLine / textSize
	for _, l := range f.wrap(text, size, pageRoom) {
		p.need(step)
		p.y -= step
		p.text(f, size, pageMargin, p.y, l, ink)
	}
}
