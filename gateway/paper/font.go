package paper

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"

	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// Font is a TrueType font as a composite font (ISO 32000-1, 9.7): every character that is used has a code of its own, in
// the order in which they were first used, so that text that is copied out is the text that went in.
type Font struct {
	name  string // in the page's resources
	ttf   []byte
	face  *sfnt.Font
	buf   sfnt.Buffer
	codes map[rune]int // 0: the font has no such character
	used  []glyph      // by code, from 1
}

type glyph struct {
	char  rune
	index sfnt.GlyphIndex
	width int   // in thousandths of the font's size
	alone []int // its code
}

func newFont(name string, ttf []byte) (*Font, error) {
	face, err := sfnt.Parse(ttf)
	if err != nil {
		return nil, fmt.Errorf("a font of the program cannot be read: %w", err)
	}
	return &Font{name: name, ttf: ttf, face: face, codes: map[rune]int{}, used: make([]glyph, 1)}, nil
}

// code gives the code of a character, or 0 where it cannot be shown as itself: the font has none, or nothing would be seen.
func (f *Font) code(r rune) int {
	if code, known := f.codes[r]; known {
		return code
	}
	index, err := f.face.GlyphIndex(&f.buf, r)
	if err != nil || index == 0 || !unicode.IsPrint(r) || unicode.Is(unicode.Mn, r) || len(f.used) > 0xFFFF {
		if len(f.codes) < 1<<16 { // what hostile text can fill
			f.codes[r] = 0
		}
		return 0
	}
	f.used = append(f.used, glyph{r, index, f.width(index), []int{len(f.used)}})
	f.codes[r] = len(f.used) - 1
	return len(f.used) - 1
}

func (f *Font) width(index sfnt.GlyphIndex) int {
	advance, err := f.face.GlyphAdvance(&f.buf, index, fixed.I(1000), font.HintingNone)
	if err != nil {
		return 0
	}
	return advance.Round()
}

// write adds the font's objects. The font as a whole goes into the file: its licence allows that.
func (f *Font) write(p *file, n int) error {
	below, about, file, unicodes, indexes := p.reserve(), p.reserve(), p.reserve(), p.reserve(), p.reserve()
	family, err := f.face.Name(&f.buf, sfnt.NameIDPostScript)
	if err != nil {
		return fmt.Errorf("a font of the program cannot be read: %w", err)
	}
	m, err := f.face.Metrics(&f.buf, fixed.I(1000), font.HintingNone)
	if err != nil {
		return fmt.Errorf("a font of the program cannot be read: %w", err)
	}
	var widths strings.Builder
	to := make([]byte, 2, 2*len(f.used)) // code 0 is glyph 0
	for _, g := range f.used[1:] {
		fmt.Fprintf(&widths, " %d", g.width)
		to = append(to, byte(g.index>>8), byte(g.index))
	}
	p.object(n, fmt.Sprintf("<</Type/Font/Subtype/Type0/BaseFont/%s/Encoding/Identity-H/DescendantFonts[%d 0 R]/ToUnicode %d 0 R>>",
		family, below, unicodes))
	p.object(below, fmt.Sprintf("<</Type/Font/Subtype/CIDFontType2/BaseFont/%s/CIDSystemInfo<</Registry(Adobe)/Ordering(Identity)/Supplement 0>>"+
		"/FontDescriptor %d 0 R/DW 0/W[1[%s]]/CIDToGIDMap %d 0 R>>", family, about, widths.String(), indexes))
	p.object(about, fmt.Sprintf("<</Type/FontDescriptor/FontName/%s/Flags 32/FontBBox[-500 -300 1500 1100]/ItalicAngle 0/Ascent %d/Descent %d"+
		"/CapHeight %d/StemV 80/FontFile2 %d 0 R>>", family, m.Ascent.Round(), -m.Descent.Round(), m.CapHeight.Round(), file))
	p.stream(file, fmt.Sprintf("/Length1 %d", len(f.ttf)), f.ttf)
	p.stream(unicodes, "", f.toUnicode())
	p.stream(indexes, "", to)
	return nil
}

// toUnicode tells which character each code is (9.10.3).
func (f *Font) toUnicode() []byte {
	var b strings.Builder
	b.WriteString("/CIDInit/ProcSet findresource begin 12 dict begin begincmap\n" +
		"/CIDSystemInfo<</Registry(Adobe)/Ordering(UCS)/Supplement 0>>def /CMapName/Adobe-Identity-UCS def /CMapType 2 def\n" +
		"1 begincodespacerange<0000><FFFF>endcodespacerange\n")
	const most = 100 // entries in one block
	for from := 1; from < len(f.used); from += most {
		block := f.used[from:min(from+most, len(f.used))]
		fmt.Fprintf(&b, "%d beginbfchar\n", len(block))
		for i, g := range block {
			fmt.Fprintf(&b, "<%04X><", from+i)
			for _, u := range utf16.AppendRune(nil, g.char) {
				fmt.Fprintf(&b, "%04X", u)
			}
			b.WriteString(">\n")
		}
		b.WriteString("endbfchar\n")
	}
	b.WriteString("endcmap CMapName currentdict/CMap defineresource pop end end\n")
	return []byte(b.String())
}
