package print

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/qr"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"

	"weighpost/gateway/record"
)

// Sizes on a label, in millimetres but for those of type, in points.
const (
	margin    = 1.5
	largeType = 14.0
	smallType = 7.0
	leastType = 5.0 // smaller is hard to read
	idType    = 5.0
	perPoint  = 25.4 / 72 * 1.2 // height of a line for a point of type
	quietQR   = 4               // modules around a QR code (ISO/IEC 18004), and beside a Code 128 ten (ISO/IEC 15417); both from memory
	quiet128  = 10
	// leastModule is the narrowest module that is drawn: 0.19 mm (7.5 thousandths of an inch), which scanners and 203-dpi printers
	// still take, by common practice.
	leastModule = 0.19
	barHeight   = 8.0
)

// fact is one line of a label.
type fact struct {
	text string
	size float64
}

// label draws one page. The same entry gives the same bytes.
func (m *maker) label(e record.Entry, copied bool) ([]byte, error) {
	clean, err := m.cfg.Clean(e)
	if err != nil {
		return nil, err
	}
	var w record.Weighing
	if err := json.Unmarshal(clean.JSON, &w); err != nil {
		return nil, fmt.Errorf("entry %s cannot be read: %w", e.ID, err)
	}
	l := &label{form: &m.cfg.Label, width: float64(m.cfg.Label.Width), height: float64(m.cfg.Label.Height)}
	facts, err := m.facts(&w, copied)
	if err != nil {
		return nil, err
	}
	l.begin(w.Stamp.UTC.Time(), w.ID)
	if err := l.code(&w); err != nil {
		return nil, err
	}
	if err := l.write(facts, w.ID); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := l.pdf.Output(&b); err != nil {
		return nil, fmt.Errorf("the label cannot be drawn: %w", err)
	}
	return b.Bytes(), nil
}

// facts are what the label says, in the order of the configuration. Each character is one that the font has.
func (m *maker) facts(w *record.Weighing, copied bool) (list []fact, err error) {
	add := func(size float64, name, value string) {
		if value == "" {
			return
		}
		var text string
		if text, err = m.drawable(name+value, err); err == nil {
			list = append(list, fact{text, size})
		}
	}
	if copied {
		add(smallType, "", "COPY: may have been printed before")
	}
	if word := unfit(w.Fitness.State); word != "" && !slices.Contains(m.cfg.Label.Fields, "balance") {
		add(smallType, "Balance ", word)
	}
	for _, field := range m.cfg.Label.Fields {
		switch field {
		case "weight":
			add(largeType, "", weight(&w.Value))
		case "sample":
			add(smallType, "Sample: ", learnt(w.Context.Sample))
		case "person":
			add(smallType, "By: ", learnt(w.Context.Person))
		case "balance":
			name := w.Balance.ID
			if word := unfit(w.Fitness.State); word != "" {
				name += ", " + word // on the same line: a label that had room has it still
			}
			add(smallType, "Balance: ", name)
		case "time":
			add(smallType, "", w.Stamp.UTC.Time().UTC().Format("2006-01-02 15:04:05 UTC"))
			if w.Stamp.Clock == record.ClockUnchecked {
				add(smallType, "", "clock not checked")
			}
		case "lot":
			add(smallType, "Lot: ", learnt(w.Context.Lot))
		case "method":
			add(smallType, "Method: ", learnt(w.Context.Method))
		case "verdicts":
			for _, v := range w.Verdicts {
				add(smallType, v.Rule+": ", said(&v))
			}
		}
	}
	return list, err
}

// unfit says of a balance what stands on every label, whichever fields it has; "": nothing.
func unfit(state string) string {
	switch state {
	case record.OutOfService:
		return "OUT OF SERVICE"
	case record.InCheck:
		return "IN CHECK"
	case record.CheckOverdue:
		return "check overdue"
	}
	return ""
}

// said is what a rule said, in words.
func said(v *record.Verdict) string {
	switch {
	case v.NotJudged:
		return "not judged"
	case v.Pass:
		return "passed"
	}
	return "failed"
}

// weight is what the balance showed, and what makes it less than a plain weight.
func weight(v *record.Value) string {
	text := v.Shown()
	if v.Range != "in" {
		return strings.TrimSpace(v.Range + " range " + text)
	}
	if v.Kind != "" && v.Kind != "unknown" {
		text += " " + v.Kind
	}
	if v.Stability == "unstable" {
		text += " UNSTABLE"
	}
	return text
}

func learnt(l *record.Learnt) string {
	if l == nil {
		return ""
	}
	if l.Name != "" {
		return l.Name + " (" + l.ID + ")"
	}
	return l.ID
}

var fontFile = sync.OnceValues(func() (*sfnt.Font, error) { return sfnt.Parse(goregular.TTF) })

// drawable gives text with nothing in it that the font does not have: refused or replaced, never left out.
func (m *maker) drawable(text string, before error) (string, error) {
	if before != nil {
		return "", before
	}
	font, err := fontFile()
	if err != nil {
		return "", fmt.Errorf("the font of the program cannot be read: %w", err)
	}
	var buf sfnt.Buffer
	var b strings.Builder
	for _, r := range text {
		if i, err := font.GlyphIndex(&buf, r); err == nil && i != 0 && r <= 0xFFFF {
			b.WriteRune(r)
		} else if m.cfg.Unknown == "replace" {
			b.WriteByte('?')
		} else {
			return "", fmt.Errorf("the font of labels has no character “%c” (U+%04X)", r, r)
		}
	}
	return b.String(), nil
}

// label is a page in the making.
type label struct {
	form          *LabelForm
	pdf           *fpdf.Fpdf
	width, height float64
	left, bottom  float64 // where text ends, as far as the code leaves room
}

func (l *label) begin(at time.Time, id string) {
	l.pdf = fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: l.width, Ht: l.height}})
	l.pdf.SetCatalogSort(true)
	l.pdf.SetCreationDate(at)
	l.pdf.SetModificationDate(at)
	l.pdf.SetTitle(id, true)
	l.pdf.SetMargins(0, 0, 0)
	l.pdf.SetAutoPageBreak(false, 0)
	l.pdf.AddUTF8FontFromBytes("go", "", goregular.TTF)
	l.pdf.AddPage()
	l.left, l.bottom = l.width-margin, l.height-margin
}

// code draws the bar code, at the right or at the foot.
func (l *label) code(w *record.Weighing) error {
	says := w.ID
	if l.form.CodeOf == "sample" {
		if says = ""; w.Context.Sample != nil {
			says = w.Context.Sample.ID
		}
	}
	if says == "" || l.form.Code == "none" {
		return nil
	}
	if l.form.Code == "qr" {
		return l.qr(says)
	}
	return l.bars(says)
}

func (l *label) qr(says string) error {
	code, err := qr.Encode(says, qr.M, qr.Auto)
	if err != nil {
		return fmt.Errorf("no QR code can hold this: %w", err)
	}
	n := code.Bounds().Dx()
	side := min(l.height-2*margin-idType*perPoint, l.width/2)
	module := side / float64(n+2*quietQR)
	if module < leastModule {
		return tooSmall("a QR code", module)
	}
	x, y := l.width-side+module*quietQR, margin+module*quietQR
	l.modules(code, x, y, module, module)
	l.left = l.width - side
	return nil
}

func (l *label) bars(says string) error {
	for _, r := range says {
		if r > 0x7e {
			return fmt.Errorf("code 128 has no character “%c”: use code: qr", r)
		}
	}
	code, err := code128.Encode(says)
	if err != nil {
		return fmt.Errorf("no Code 128 can hold this: %w", err)
	}
	n := code.Bounds().Dx()
	module := min((l.width-2*margin)/float64(n+2*quiet128), 0.5)
	if module < leastModule {
		return tooSmall("a Code 128", module)
	}
	foot := l.height - margin - idType*perPoint
	l.modules(code, (l.width-module*float64(n))/2, foot-barHeight, module, barHeight)
	l.bottom = foot - barHeight
	return nil
}

func tooSmall(what string, module float64) error {
	return fmt.Errorf("%s of this would have modules of %.2f mm, which scanners do not read: a larger label, or less in the code", what, module)
}

// modules draws the black runs of each row.
func (l *label) modules(code barcode.Barcode, x, y, wide, high float64) {
	box := code.Bounds()
	for row := box.Min.Y; row < box.Max.Y; row++ {
		for col := box.Min.X; col < box.Max.X; {
			end := col
			for end < box.Max.X && black(code, end, row) {
				end++
			}
			if end > col {
				l.pdf.Rect(x+float64(col)*wide, y+float64(row)*high, float64(end-col)*wide, high, "F")
			}
			col = max(end, col+1)
		}
	}
}

func black(code barcode.Barcode, x, y int) bool {
	r, _, _, _ := code.At(x, y).RGBA()
	return r == 0
}

var errRoom = errors.New("the label is too small for what is to stand on it: a larger label, or fewer fields")

// write sets the facts below each other, smaller where they are too wide, and the id at the foot. What does not fit is an error:
// nothing is ever cut off.
func (l *label) write(facts []fact, id string) error {
	y := margin
	for _, f := range facts {
		size, err := l.fits(f.text, f.size, l.left-margin)
		if err != nil {
			return err
		}
		y += size * perPoint
		l.pdf.Text(margin, y-size*perPoint*0.2, f.text)
	}
	if foot := min(l.bottom, l.height-margin-idType*perPoint); y > foot {
		return errRoom
	}
	if _, err := l.fits(id, idType, l.width-2*margin); err != nil {
		return err
	}
	l.pdf.Text(margin, l.height-margin, id)
	return nil
}

// fits sets the size of type at which text has room.
func (l *label) fits(text string, size, room float64) (float64, error) {
	for ; size >= leastType; size -= 0.5 {
		l.pdf.SetFont("go", "", size)
		if l.pdf.GetStringWidth(text) <= room {
			return size, nil
		}
	}
	return 0, errRoom
}
