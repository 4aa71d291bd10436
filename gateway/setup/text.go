package setup

import (
	"bytes"
	"fmt"
	"strings"
)

// enoughText is from how many characters on a text says all that it can of the settings.
const enoughText = 16

// plausible is how much a text is like what balances print: 0 to 0.99. Most of it can be printed, it has digits, its lines
// end.
func plausible(text []byte) float64 {
	if len(text) == 0 {
		return 0
	}
	var n [odd + 1]int
	for _, c := range text {
		n[kindOf(c)]++
	}
	all := float64(len(text))
	p := 0.99
	// The odd byte may be noise, or a check character; a tenth of them is another setting.
	p *= falling(float64(n[odd])/all, 0.02, 0.2)
	p *= falling(float64(n[beyond])/all, 0.06, 0.4)
	p *= falling(float64(n[control])/all, 0.25, 0.5)
	if strange(text[:min(2, len(text))]) { // heard from the middle of a print on
		p *= 0.88
	}
	if tail := text[max(0, len(text)-6):]; countStrange(tail) > 1 || trailing(tail) { // one may be a check character
		p *= 0.85
	}
	if n[digit] == 0 {
		p *= 0.6
	}
	if n[ending] == 0 {
		p *= 0.85
	}
	if len(text) < enoughText {
		p *= 0.5 + 0.5*float64(len(text))/enoughText
	}
	return p * structure(text)
}

// join puts together what was heard at one port in several parts. A part may begin in the middle of a character, and the
// receiver then takes a while to find its way: up to its first line end a part is left out if it is strange and there is
// enough beside it that is not.
func join(parts [][]byte) []byte {
	var all, calm []byte
	for _, p := range parts {
		all = append(all, p...)
		first := 1 + bytes.IndexAny(p, "\r\n")
		if first == 0 {
			first = len(p)
		}
		if strange(p[:first]) {
			if p = bytes.TrimLeft(p[first:], "\r\n"); strange(p) {
				continue
			}
		}
		calm = append(calm, p...)
	}
	if len(calm) >= enoughText && !strange(calm) {
		return calm
	}
	return all
}

// trailing says whether a strange byte follows the last line end: what is left over of a damaged print.
func trailing(text []byte) bool {
	n := len(text)
	return n > 1 && strange(text[n-1:]) && kindOf(text[n-2]) == ending
}

// strange says whether a text has bytes that no text has, or that only an eighth bit makes.
func strange(text []byte) bool {
	if countStrange(text) > 0 {
		return true
	}
	controls := 0
	for _, c := range text {
		if c != '\t' && kindOf(c) == control {
			controls++
		}
	}
	return controls > 2 && 4*controls > len(text)
}

func countStrange(text []byte) (n int) {
	for _, c := range text {
		if kindOf(c) == beyond || kindOf(c) == odd {
			n++
		}
	}
	return n
}

// kind of a character of a text.
type kind uint8

const (
	letter kind = iota
	digit
	ending
	control
	beyond // ASCII
	odd
)

func kindOf(c byte) kind {
	switch {
	case c >= '0' && c <= '9':
		return digit
	case c == '\r' || c == '\n':
		return ending
	case c >= ' ' && c < 0x7F:
		return letter
	case c == '\t' || c == '\f' || c >= 0x02 && c <= 0x04: // STX, ETX, EOT
		return control
	case c >= 0x80:
		return beyond
	}
	return odd
}

// falling is 1 up to a, 0 from b on, and a straight line between.
func falling(x, a, b float64) float64 { return min(1, max(0, (b-x)/(b-a))) }

// structure is 1 where lines are built alike, or where there is only one; less where all differ.
func structure(text []byte) float64 {
	lines := bytes.FieldsFunc(text, func(r rune) bool { return r == '\r' || r == '\n' })
	if len(lines) < 3 {
		return 1
	}
	lengths := map[int]bool{}
	for _, l := range lines {
		lengths[len(l)] = true
	}
	if len(lengths) == len(lines) {
		return 0.97 // blocks of different lines are usual
	}
	return 1
}

// escaped is a text for a person: what is not printable ASCII stands as an escape of Go's.
func escaped(text []byte) string {
	var b strings.Builder
	for _, c := range text {
		switch {
		case c == '\r':
			b.WriteString(`\r`)
		case c == '\n':
			b.WriteString(`\n`)
		case c == '\t':
			b.WriteString(`\t`)
		case c == '\\':
			b.WriteString(`\\`)
		case c < ' ' || c > '~':
			fmt.Fprintf(&b, `\x%02x`, c)
		default:
			b.WriteByte(c)
		}
	}
	return b.String()
}
