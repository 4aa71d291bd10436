package formula

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// token is a piece of a formula as it stands in the text.
type token struct {
	kind byte // 'n' a number, 'i' a name, 't' a text without its quotes, 'o' anything else
	text string
	at   int // of its first character
}

// reserved holds words that mean something to the grammar, ours or the library's: no name may be one.
var reserved = []string{"and", "or", "not", "true", "false", "nil", "in", "matches", "contains", "startsWith", "endsWith", "let", "if", "else"}

// refusedWords are those of them that have no place in a formula, and what to write instead.
var refusedWords = map[string]string{
	"nil": "a value that is missing is refused when the formula is worked out", "in": "compare with each by == and join by or", "matches": "texts are compared by == and !=",
	"contains": "texts are compared by == and !=", "startsWith": "texts are compared by == and !=", "endsWith": "texts are compared by == and !=",
	"let": "give a value a name in a step of its own", "if": "a condition is written a ? b : c", "else": "a condition is written a ? b : c",
}

// refusedSigns are signs of the library's grammar that have no place in a formula, longest first.
var refusedSigns = []struct{ sign, why string }{
	{"//", "a formula holds no remarks"}, {"/*", "a formula holds no remarks"}, {"..", "there are no ranges"}, {"?.", "there is nothing to look into"},
	{"??", "a missing value has no substitute"}, {"::", "functions are called by their name alone"}, {"||", "write or"}, {"&&", "write and"}, {"|", "write f(x)"}, {"#", "a formula holds no remarks"},
	{"[", "first(list), last(list) and the other functions take a list whole; several values are given as f(a, b, c)"}, {"]", "there are no brackets"},
	{"{", "there are no braces"}, {"}", "there are no braces"}, {"%", `a per cent is written in quotes, "5 %"`}, {";", "a formula is one expression"},
	{"`", `a text is written in quotes, "so"`}, {`\`, "a text has no escapes"}, {".", "there is nothing to look into; a number needs a digit before its point"},
	{"&", "write and"}, {"!", "write not"},
}

var signs = []string{"**", "==", "!=", "<=", ">=", "<", ">", "+", "-", "*", "/", "^", "?", ":", ",", "(", ")"}

// scan cuts a formula into tokens, and refuses what has no place in one before the library's parser sees it.
func scan(text string) (source []rune, tokens []token, err error) {
	if !utf8.ValidString(text) {
		return nil, nil, Mistakes{{Text: "the formula is not UTF-8 text: type it again, or save the file as UTF-8"}}
	}
	if n := utf8.RuneCountInString(text); n > MaxSource {
		return nil, nil, Mistakes{{Text: fmt.Sprintf("the formula has %d characters, and at most %d are read: divide it into several", n, MaxSource)}}
	}
	s := scanner{source: []rune(text)}
	for s.at < len(s.source) && s.err == nil {
		s.next()
	}
	switch {
	case s.err != nil:
	case len(s.tokens) == 0:
		s.fail(0, "the formula is empty")
	case len(s.open) > 0:
		s.fail(s.open[len(s.open)-1], "this parenthesis is never closed")
	}
	return s.source, s.tokens, s.err
}

type scanner struct {
	source []rune
	at     int
	tokens []token
	open   []int // where parentheses were opened
	err    error
}

func (s *scanner) fail(at int, format string, args ...any) {
	s.err = Mistakes{mistakeAt(s.source, at, format, args...)}
}

func (s *scanner) add(kind byte, from int) {
	s.tokens = append(s.tokens, token{kind, string(s.source[from:s.at]), from})
}

func (s *scanner) next() {
	r := s.source[s.at]
	switch {
	case r == ' ' || r == '\n' || r == '\t' || r == '\r' && s.at+1 < len(s.source) && s.source[s.at+1] == '\n':
		s.at++
	case r == '"' || r == '\'':
		s.quoted(r)
	case r >= '0' && r <= '9':
		s.number()
	case letter(r):
		s.word()
	default:
		s.sign()
	}
}

func letter(r rune) bool { return r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r == '_' }
func digit(r rune) bool  { return r >= '0' && r <= '9' }

// hidden says whether a character cannot be seen or moves others about, so that a formula would not say what it shows: control characters,
// marks of direction (Unicode TR 36, 3.4 and UAX 9), joiners, anything unassigned.
func hidden(r rune) bool { return r != ' ' && !unicode.IsPrint(r) }

func (s *scanner) quoted(quote rune) {
	from := s.at
	for s.at++; s.at < len(s.source) && s.source[s.at] != quote; s.at++ {
		switch r := s.source[s.at]; {
		case hidden(r):
			s.fail(s.at, "the text holds the character U+%04X, which cannot be seen: take it out", r)
			return
		case r == '\\':
			s.fail(s.at, `\ has no place in a formula: a text has no escapes`)
			return
		}
	}
	if s.at == len(s.source) {
		s.fail(from, "this text is never closed: a quote is missing")
		return
	}
	if s.at-from-1 > MaxText {
		s.fail(from, "this text has %d characters, and at most %d are read", s.at-from-1, MaxText)
		return
	}
	if n := len(s.tokens); n > 0 && s.tokens[n-1].kind != 'o' && s.tokens[n-1].at+len([]rune(s.tokens[n-1].text)) == from {
		s.fail(from, "a quote right behind %s has no meaning", clip(s.tokens[n-1].text))
		return
	}
	s.tokens = append(s.tokens, token{'t', string(s.source[from+1 : s.at]), from})
	s.at++
}

func (s *scanner) number() {
	from := s.at
	digits := func() {
		for s.at < len(s.source) && digit(s.source[s.at]) {
			s.at++
		}
	}
	digits()
	if s.at < len(s.source) && s.source[s.at] == '.' {
		s.at++
		digits()
	}
	if s.at < len(s.source) && (s.source[s.at] == 'e' || s.source[s.at] == 'E') {
		if s.at++; s.at < len(s.source) && (s.source[s.at] == '+' || s.source[s.at] == '-') {
			s.at++
		}
		digits()
	}
	if s.at < len(s.source) && (letter(s.source[s.at]) || s.source[s.at] == '%') {
		s.fail(from, `a number with a unit is written in quotes, with a space between: "10 mg"; a factor with *`)
		return
	}
	s.add('n', from)
	if _, err := parseNumber(s.tokens[len(s.tokens)-1].text); err != nil {
		s.fail(from, "%v", err)
	}
}

func (s *scanner) word() {
	from := s.at
	for s.at < len(s.source) && (letter(s.source[s.at]) || digit(s.source[s.at])) {
		s.at++
	}
	s.add('i', from)
	word := &s.tokens[len(s.tokens)-1]
	if why, ok := refusedWords[word.text]; ok {
		s.fail(from, "%s has no place in a formula: %s", word.text, why)
	}
	if slices.Contains([]string{"and", "or", "not"}, word.text) {
		word.kind = 'o'
	}
}

func (s *scanner) sign() {
	from, rest := s.at, string(s.source[s.at:min(s.at+2, len(s.source))])
	for _, no := range refusedSigns {
		if strings.HasPrefix(rest, no.sign) && !strings.HasPrefix(rest, "!=") {
			s.fail(from, "%s has no place in a formula: %s", no.sign, no.why)
			return
		}
	}
	for _, sign := range signs {
		if strings.HasPrefix(rest, sign) {
			s.at += len(sign)
			s.add('o', from)
			s.parenthesis(sign, from)
			return
		}
	}
	switch r := s.source[s.at]; {
	case r == '=':
		s.fail(from, "= has no place in a formula: values are compared with ==")
	case hidden(r):
		s.fail(from, "the formula holds the character U+%04X, which cannot be seen: take it out", r)
	default:
		s.fail(from, "%c has no place in a formula: names have letters a to z, digits and _", r)
	}
}

// parenthesis counts what is open, so that the library's parser never goes deeper than MaxDepth by them.
func (s *scanner) parenthesis(sign string, at int) {
	switch n := len(s.open); {
	case sign == "(":
		if s.open = append(s.open, at); n+1 > MaxDepth {
			s.fail(at, "parentheses go more than %d deep: divide the formula", MaxDepth)
		}
	case sign == ")" && n == 0:
		s.fail(at, "this parenthesis was never opened")
	case sign == ")":
		s.open = s.open[:n-1]
		if n := len(s.tokens); s.tokens[n-2].text == "," && s.tokens[n-2].kind == 'o' {
			s.fail(at, "something is missing between the comma and the parenthesis")
		}
	}
}

// plain gives the formula as the library's parser gets it: every number is 1 and spaces, in the same place, so that no number goes through
// an int or a float there. The number is read from its token.
func plain(source []rune, tokens []token) string {
	out := slices.Clone(source)
	for _, t := range tokens {
		if t.kind == 'n' {
			out[t.at] = '1'
			for i := range []rune(t.text)[1:] {
				out[t.at+1+i] = ' '
			}
		}
	}
	return string(out)
}
