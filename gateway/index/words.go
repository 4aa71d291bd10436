package index

import (
	"bytes"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

const (
	maxWord   = 64 // characters that count of a word
	minPrefix = 3  // characters before a *
)

// eachWord calls each for every word of a text, folded, with the byte that follows it in the folded text, or 0. word may
// not be kept.
func eachWord(text []byte, each func(word []byte, after byte)) {
	text = fold(text)
	for i := 0; i < len(text); {
		n := wordLength(text[i:])
		if n == 0 {
			_, size := utf8.DecodeRune(text[i:])
			i += size
			continue
		}
		after := byte(0)
		if i+n < len(text) {
			after = text[i+n]
		}
		each(cut(text[i:i+n]), after)
		i += n
	}
}

// wordLength is how many bytes the word has that a text begins with, or 0.
func wordLength(text []byte) int {
	for i := 0; i < len(text); {
		r, size := rune(text[i]), 1
		if r >= utf8.RuneSelf {
			r, size = utf8.DecodeRune(text[i:])
		}
		switch {
		case single(r):
			if i == 0 {
				return size
			}
			return i
		case inWord(r):
		case (r == '.' || r == ',') && i > 0 && i+1 < len(text) && isDigit(text[i-1]) && isDigit(text[i+1]):
		default:
			return i
		}
		i += size
	}
	return len(text)
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

func inWord(r rune) bool {
	if r < utf8.RuneSelf {
		return r >= 'a' && r <= 'z' || r >= '0' && r <= '9'
	}
	return r != utf8.RuneError && (unicode.IsLetter(r) || unicode.IsNumber(r) || unicode.IsMark(r))
}

// single says whether a character is a word of its own: scripts that put no spaces between words.
func single(r rune) bool {
	return r >= 0x3040 && unicode.In(r, unicode.Han, unicode.Hiragana, unicode.Katakana)
}

// cut shortens a word to the characters that count.
func cut(word []byte) []byte {
	if len(word) <= maxWord {
		return word
	}
	for i, n := 0, 0; i < len(word); n++ {
		if n == maxWord {
			return word[:i]
		}
		_, size := utf8.DecodeRune(word[i:])
		i += size
	}
	return word
}

// fold takes away what makes no difference: case, accents, and the several ways to write one character.
func fold(text []byte) []byte {
	plain, lower := true, true
	for _, c := range text {
		plain = plain && c < utf8.RuneSelf
		lower = lower && (c < 'A' || c > 'Z')
	}
	switch {
	case plain && lower:
		return text
	case plain:
		return bytes.ToLower(text)
	}
	// Folding can leave a character composed, and taking it apart can leave one in upper case: twice is enough for both.
	for range 2 {
		text = cases.Fold().Bytes(withoutAccents(norm.NFKD.Bytes(text)))
	}
	return withoutAccents(norm.NFKD.Bytes(text))
}

// withoutAccents drops the combining marks U+0300 to U+036F. Marks of scripts in which they are letters stay.
func withoutAccents(text []byte) []byte {
	return bytes.Map(func(r rune) rune {
		if r >= 0x300 && r <= 0x36F {
			return -1
		}
		return r
	}, text)
}

// want is a word that a filter asks for.
type want struct {
	word          string
	prefix, short bool // begins so; and is too short for that
}

// wanted splits the text of a filter.
func wanted(text string) []want {
	var list []want
	eachWord([]byte(text), func(word []byte, after byte) {
		w := want{word: string(word), prefix: after == '*'}
		w.short = w.prefix && utf8.RuneCount(word) < minPrefix
		for _, have := range list {
			if have == w {
				return
			}
		}
		list = append(list, w)
	})
	return list
}

func (w want) in(word []byte) bool {
	if w.prefix {
		return strings.HasPrefix(string(word), w.word)
	}
	return string(word) == w.word
}
