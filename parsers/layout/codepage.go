package layout

import (
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// codePage turns the text of a layout into the bytes that a balance sends, once, at Parse; and the bytes of a frame into
// text, where a reading shows them. A nil table means UTF-8.
type codePage struct {
	table *charmap.Charmap
}

var codePages = map[string]codePage{
	"":        {},
	"utf-8":   {},
	"latin-1": {charmap.ISO8859_1},
	"cp437":   {charmap.CodePage437},
	"cp850":   {charmap.CodePage850},
}

// encode writes text in the code page. It returns the first character that the page does not have.
func (p codePage) encode(text string) (b []byte, missing rune, ok bool) {
	if p.table == nil {
		return []byte(text), 0, true
	}
	b = make([]byte, 0, len(text))
	for _, c := range text {
		// Control characters are themselves on every page; the tables of old PCs show pictures for some.
		if c < 0x80 {
			b = append(b, byte(c))
			continue
		}
		x, has := p.table.EncodeRune(c)
		if !has {
			return nil, c, false
		}
		b = append(b, x)
	}
	return b, 0, true
}

// appendText appends b as UTF-8 to dst, within dst's capacity. It refuses control characters and bytes that are no text.
func (p codePage) appendText(dst, b []byte) (out []byte, fault whyCode) {
	for len(b) > 0 {
		c, n := rune(b[0]), 1
		if c >= 0x80 {
			if p.table == nil {
				c, n = utf8.DecodeRune(b)
				if c == utf8.RuneError && n <= 1 {
					return dst, whyEncoding
				}
			} else {
				c = p.table.DecodeByte(b[0])
			}
		}
		if unicode.IsControl(c) || c == utf8.RuneError {
			return dst, whyControl
		}
		if len(dst)+utf8.UTFMax > cap(dst) {
			return dst, whyTooLong
		}
		dst = utf8.AppendRune(dst, c)
		b = b[n:]
	}
	return dst, whyNone
}

// show is b for a sentence: decoded, control characters and bytes that are no text in hexadecimal, cut after 24 characters.
func (p codePage) show(b []byte) string {
	const most = 24
	var out []byte
	for shown := 0; len(b) > 0; shown++ {
		if shown == most {
			return string(out) + "…"
		}
		n := 1
		if p.table == nil && b[0] >= 0x80 {
			_, n = utf8.DecodeRune(b)
		}
		text, fault := p.appendText(make([]byte, 0, 2*utf8.UTFMax), b[:n])
		if fault != whyNone {
			text = []byte{'<', hexDigits[b[0]>>4], hexDigits[b[0]&15], '>'}
		}
		out = append(out, text...)
		b = b[n:]
	}
	return string(out)
}

const hexDigits = "0123456789ABCDEF"
