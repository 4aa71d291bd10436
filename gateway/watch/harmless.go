package watch

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Harmless writes text so that no terminal does anything with it but show it: what is not printable (control characters of
// both ranges, marks that turn the direction of writing or are invisible, unassigned and private code points) becomes an escape
// as in Go, \x1b or \u202e, and a byte that is no UTF-8 becomes \xff. A backslash is doubled, so that the escape can be told
// from one that was sent.
func Harmless(s string) string {
	if !strings.ContainsFunc(s, dangerous) && utf8.ValidString(s) {
		return s
	}
	var b strings.Builder
	for i := 0; i < len(s); {
		r, n := utf8.DecodeRuneInString(s[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, `\x%02x`, s[i])
		case r == '\\':
			b.WriteString(`\\`)
		case !dangerous(r):
			b.WriteRune(r)
		case r < 0x80:
			fmt.Fprintf(&b, `\x%02x`, r)
		case r < 0x10000:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			fmt.Fprintf(&b, `\U%08x`, r)
		}
		i += n
	}
	return b.String()
}

// dangerous says whether a character is not simply shown. A backslash counts, for the sake of what is escaped.
func dangerous(r rune) bool { return r == '\\' || !unicode.IsPrint(r) }

// HarmlessJSON escapes the same characters within JSON, where its own rules leave them: there they stand in strings only.
func HarmlessJSON(s string) string {
	var b strings.Builder
	for _, r := range s {
		switch {
		case unicode.IsPrint(r):
			b.WriteRune(r)
		case r < 0x10000:
			fmt.Fprintf(&b, `\u%04x`, r)
		default: // as a pair of surrogates (RFC 8259, section 7)
			r -= 0x10000
			fmt.Fprintf(&b, `\u%04x\u%04x`, 0xd800+(r>>10), 0xdc00+(r&0x3ff))
		}
	}
	return b.String()
}

// Hex writes bytes in hexadecimal.
func Hex(p []byte) string { return fmt.Sprintf("% x", p) }
