package learn

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"

	"weighpost/parsers/frame"
)

// codePage is how the balance sends letters beyond ASCII, by the name that layouts use.
type codePage struct {
	name  string
	table *charmap.Charmap // nil for UTF-8
}

var codePages = []codePage{{"utf-8", nil}, {"latin-1", charmap.ISO8859_1}, {"cp850", charmap.CodePage850}, {"cp437", charmap.CodePage437}}

// text decodes bytes. What is no text in the page becomes U+FFFD.
func (p codePage) text(b []byte) string {
	ascii := true
	for _, c := range b {
		ascii = ascii && c < 0x80
	}
	if ascii {
		return string(b)
	}
	if p.table == nil {
		return strings.ToValidUTF8(string(b), "\uFFFD")
	}
	var out strings.Builder
	for _, c := range b {
		if c < 0x80 {
			out.WriteByte(c)
		} else {
			out.WriteRune(p.table.DecodeByte(c))
		}
	}
	return out.String()
}

// harmless is b for a person to look at: control characters and bytes that are no text by name.
func (p codePage) harmless(b []byte) string {
	var out strings.Builder
	for len(b) > 0 {
		c, n := rune(b[0]), 1
		if c >= 0x80 {
			if p.table == nil {
				if c, n = utf8.DecodeRune(b); n <= 1 {
					c = utf8.RuneError
				}
			} else {
				c = p.table.DecodeByte(b[0])
			}
		}
		name, named := frame.ControlName(b[0])
		switch {
		case named:
			out.WriteString("<" + name + ">")
		case c == utf8.RuneError || !unicode.IsPrint(c):
			fmt.Fprintf(&out, "<%02X>", b[0])
			n = 1
		default:
			out.WriteRune(c)
		}
		b = b[max(1, n):]
	}
	return out.String()
}

// choosePage finds the code page in which the letters beyond ASCII make the best words. sure is false where another page
// does as well and shows other letters.
func choosePage(bodies [][]byte) (page codePage, sure bool) {
	high, valid := map[string]int{}, true
	for _, b := range bodies {
		for _, t := range tokenize(b) {
			if w := t.in(b); strings.ContainsFunc(string(w), func(r rune) bool { return r >= 0x80 }) {
				high[string(w)]++
				valid = valid && utf8.Valid(w)
			}
		}
	}
	if len(high) == 0 || valid {
		return codePages[0], true
	}
	best, bestScore, second := codePages[1], -1<<30, -1<<30
	for _, p := range codePages[1:] {
		score := 0
		for w := range high {
			score += pageScore(p, w)
		}
		if score > bestScore {
			best, bestScore, second = p, score, bestScore
		} else if score > second && differ(p, best, high) {
			second = score
		}
	}
	return best, second < bestScore
}

func differ(p, q codePage, words map[string]int) bool {
	for w := range words {
		if p.text([]byte(w)) != q.text([]byte(w)) {
			return true
		}
	}
	return false
}

// pageScore says how much a word looks like one: known words, lower-case letters of Western languages, the micro sign.
func pageScore(p codePage, word string) (score int) {
	text := p.text([]byte(word))
	if _, known := tradeWord(text); known {
		score += 40
	}
	if labelOf(text) != "" || unitLike(text) {
		score += 40
	}
	before := ' '
	for _, c := range text {
		switch {
		case c < 0x80:
		case strings.ContainsRune("äöüßéèàâêîôûçñáíóúåæøãõëïìòùÄÖÜÉÅÆØÑÇ", c):
			score += 3
			if unicode.IsUpper(c) && unicode.IsLower(before) {
				score -= 4
			}
		case strings.ContainsRune("µ°²³±", c):
			score++
		case unicode.IsLetter(c):
		default:
			score -= 6
		}
		before = c
	}
	return score
}
