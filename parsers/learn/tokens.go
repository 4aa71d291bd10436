package learn

import "bytes"

// tokenKind is what a run of bytes looks like by itself.
type tokenKind uint8

const (
	tokNumber tokenKind = iota + 1 // digits with sign, decimal sign, grouping, brackets
	tokWord                        // letters, or letters and digits grown together, as in an id
	tokMark                        // one punctuation character, or several of the same
	tokDate
	tokTime
)

// token is a run of bytes of a line that belongs together.
type token struct {
	kind     tokenKind
	from, to int
}

func (t token) in(b []byte) []byte { return b[t.from:t.to] }

func isBlank(c byte) bool  { return c == ' ' }
func isLetter(c byte) bool { return c|0x20 >= 'a' && c|0x20 <= 'z' || c >= 0x80 }
func isSign(c byte) bool   { return c == '+' || c == '-' }

// tokenize cuts a line into tokens. Blanks are in none; a tab is a mark, since it separates.
func tokenize(b []byte) (all []token) {
	for i := 0; i < len(b); {
		c := b[i]
		switch {
		case isBlank(c):
			i++
			continue
		case isDigit(c) || numberStarts(b, i):
			all = append(all, digitsToken(b, i))
		case isLetter(c):
			all = append(all, lettersToken(b, i)...)
		default:
			all = append(all, markToken(b, i))
		}
		i = all[len(all)-1].to
	}
	return all
}

// commasSeparate says that commas stand between fields and in no number: most lines have one that is not between digits and
// has no blank behind it.
func commasSeparate(lines [][]byte, toks [][]token) bool {
	apart, tights, total := 0, 0, 0
	for i, b := range lines {
		one, tight := false, false
		for _, t := range toks[i] {
			v := t.in(b)
			one = one || t.kind == tokMark && v[0] == ','
			tight = tight || t.kind == tokMark && v[0] == ',' && t.to < len(b) && b[t.to] != ' '
		}
		if total++; one {
			apart++
		}
		if tight {
			tights++
		}
	}
	return apart*10 >= total*8 && tights*10 >= total*8
}

// splitCommas cuts numbers at their commas.
func splitCommas(b []byte, toks []token) (out []token) {
	for _, t := range toks {
		if t.kind != tokNumber {
			out = append(out, t)
			continue
		}
		from := t.from
		for i := t.from; i < t.to; i++ {
			if b[i] == ',' {
				out = append(out, token{tokNumber, from, i}, token{tokMark, i, i + 1})
				from = i + 1
			}
		}
		if from < t.to {
			out = append(out, token{tokNumber, from, t.to})
		}
	}
	return out
}

func markToken(b []byte, i int) token {
	j := i + 1
	for j < len(b) && joins(b[i]) && joins(b[j]) && (isSign(b[j-1]) && isSign(b[j]) || !signOf(b, j)) {
		j++
	}
	return token{tokMark, i, j}
}

// joins says that a punctuation character grows together with others of its sort into one mark.
func joins(c byte) bool { return c < 0x80 && bytes.IndexByte([]byte("+-*=~!?#^_.&$@"), c) >= 0 }

// signOf says that the character at i is the sign of a number behind it, blanks between them or not.
func signOf(b []byte, i int) bool {
	if !isSign(b[i]) {
		return numberStarts(b, i)
	}
	i++
	for i < len(b) && isBlank(b[i]) {
		i++
	}
	return i < len(b) && (isDigit(b[i]) || b[i] == '.' && i+1 < len(b) && isDigit(b[i+1]))
}

// numberStarts says that a sign or a decimal sign at i begins a number.
func numberStarts(b []byte, i int) bool {
	if isSign(b[i]) {
		if i > 0 && (isDigit(b[i-1]) || isSign(b[i-1])) {
			return false
		}
		i++
	}
	if i < len(b) && (b[i] == '.' || b[i] == ',') {
		if i > 0 && (isDigit(b[i-1]) || b[i-1] == b[i]) {
			return false
		}
		// ".5" is a number where the signs are not separators: nothing but a blank, a sign or a letter stands before.
		if before := bytes.TrimRight(b[:i], " "); b[i] == ',' && len(before) > 0 && !isSign(before[len(before)-1]) {
			return false
		}
		i++
	}
	return i < len(b) && isDigit(b[i])
}

// digitsToken reads what begins with a digit or a sign: a date, a time, a number, or an id.
func digitsToken(b []byte, i int) token {
	if n := timeLength(b[i:]); n > 0 {
		return token{tokTime, i, i + n}
	}
	if n := dateLength(b[i:]); n > 0 {
		return token{tokDate, i, i + n}
	}
	n := numberLength(b[i:])
	j := i + n
	if k := exponent(b[j:]); k > 0 {
		return token{tokWord, i, j + k} // powers of ten: no layout reads them
	}
	// Digits and letters that are grown together and go on with digits are an id: 7kx3, 2026-A-17.
	if k := idLength(b[i:]); k > n && bytes.IndexByte(b[i:j], '.') < 0 && bytes.IndexByte(b[i:j], ',') < 0 {
		return token{tokWord, i, i + k}
	}
	return token{tokNumber, i, j}
}

// exponent is the length of an exponent at the start of b: E+03.
func exponent(b []byte) int {
	if len(b) > 1 && b[0] == '.' {
		if n := exponent(b[1:]); n > 0 {
			return n + 1 // 1.E+00
		}
	}
	if len(b) < 3 || b[0]|0x20 != 'e' || !isSign(b[1]) || !isDigit(b[2]) {
		return 0
	}
	return 2 + digitRun(b[2:])
}

// idLength is the length of an id that begins with digits and holds letters with digits after them, or 0.
func idLength(b []byte) int {
	i, letters, after := 0, false, false
	for i < len(b) && (isDigit(b[i]) || isLetter(b[i]) || (b[i] == '-' || b[i] == '_') && i > 0 && i+1 < len(b) && (isDigit(b[i+1]) || isLetter(b[i+1]))) {
		switch {
		case isLetter(b[i]):
			letters = true
		case isDigit(b[i]) && letters:
			after = true
		case (b[i] == '-' || b[i] == '_') && i+1 < len(b):
			after = after || letters || isDigit(b[i+1])
		}
		i++
	}
	if !after {
		return 0
	}
	return i
}

// numberLength measures a number: sign, digits, decimal and grouping signs between digits, brackets, a trailing sign.
func numberLength(b []byte) int {
	i := 0
	if isSign(b[0]) {
		i++
	}
	for i < len(b) {
		switch c := b[i]; {
		case isDigit(c):
			i++
			continue
		case (c == '.' || c == ',' || c == '\'') && i+1 < len(b) && isDigit(b[i+1]):
			i++
			continue
		case (c == '.' || c == ',') && i > 0 && isDigit(b[i-1]) && i+1 < len(b) && bracketLength(b[i+1:]) > 0:
			i++
			continue
		case c == '.' && i > 0 && isDigit(b[i-1]) && (i+1 == len(b) || isBlank(b[i+1]) || isSign(b[i+1]) && !isSign(b[0]) && (i+2 == len(b) || isBlank(b[i+2]))) && bytes.IndexByte(b[:i], '.') < 0:
			i++ // "12." of a balance without decimals
		case c == '.' && i > 0 && isDigit(b[i-1]) && i+1 < len(b) && isLetter(b[i+1]) && bytes.IndexByte(b[:i], '.') < 0 && unitLike(string(lettersAt(b[i+1:]))):
			i++ // "12.g"
		}
		break
	}
	i += bracketLength(b[i:])
	if i < len(b) && isSign(b[i]) && !isSign(b[0]) && (i+1 == len(b) || endsSign(b[i+1]) || isLetter(b[i+1]) && bytes.ContainsAny(b[:i], ".,")) {
		i++ // a trailing sign
	}
	return i
}

// endsSign says that a trailing sign may stand before c: a blank, a separator or a closing bracket.
func endsSign(c byte) bool { return bytes.IndexByte([]byte(" \t,;|/]>)"), c) >= 0 }

// lettersAt is the letters at the start of b.
func lettersAt(b []byte) []byte {
	n := 0
	for n < len(b) && isLetter(b[n]) {
		n++
	}
	return b[:n]
}

// bracketLength is the length of digits in brackets at the start of b.
func bracketLength(b []byte) int {
	if len(b) < 3 {
		return 0
	}
	shut := map[byte]byte{'[': ']', '(': ')', '<': '>'}[b[0]]
	if shut == 0 {
		return 0
	}
	i := 1
	for i < len(b) && isDigit(b[i]) {
		i++
	}
	if i == 1 || i > 4 || i == len(b) || b[i] != shut {
		return 0
	}
	return i + 1
}

// lettersToken reads what begins with a letter: a word, an id such as TRIF-2026-0117, or a word that a number is printed
// against, as in still+00012.30.
func lettersToken(b []byte, i int) []token {
	j := i
	for j < len(b) && isLetter(b[j]) {
		j++
	}
	if j < len(b) && isDigit(b[j]) {
		if n := timeLength(b[j:]); n > 0 && j-i <= 2 && isDigit(b[j+1]) { // "A5:09:22" is a label A5 and a time
			return []token{{tokWord, i, j}, {tokTime, j, j + n}}
		}
		n := numberLength(b[j:])
		if k := decimalAt(b[j : j+n]); k > 0 && dateLength(b[j:]) == 0 {
			return []token{{tokWord, i, j}, {tokNumber, j, j + n}}
		}
	}
	for j < len(b) {
		c := b[j]
		joined := (c == '-' || c == '_') && j+1 < len(b) && (isLetter(b[j+1]) || isDigit(b[j+1]))
		if joined && c == '-' && isDigit(b[j+1]) && decimalAt(b[j+1:j+1+numberLength(b[j+1:])]) > 0 {
			break // a minus: net-12.34
		}
		if !isLetter(c) && !isDigit(c) && !joined {
			break
		}
		j++
	}
	return []token{{tokWord, i, twoWords(b, i, j)}}
}

// twoWords is where a unit of two words ends, such as "oz t": at the second word, where the first one is the word from i to j.
func twoWords(b []byte, i, j int) int {
	for _, unit := range []string{"oz tr", "oz t", "lb t", "s ap", "dr ap", "troy oz", "oz troy", "oz av"} {
		if len(b)-i >= len(unit) && string(b[i:i+len(unit)]) == unit && j-i < len(unit) && unit[j-i] == ' ' &&
			(len(b)-i == len(unit) || !isLetter(b[i+len(unit)]) && !isDigit(b[i+len(unit)])) {
			return i + len(unit)
		}
	}
	return j
}

// decimalAt is the place of the first point or comma of a number, from 1, or 0.
func decimalAt(b []byte) int { return bytes.IndexAny(b, ".,") + 1 }

// timeLength is the length of a time of day: 10:04, 10:04:05, 10:04:05.1.
func timeLength(b []byte) int {
	i := 0
	part := func(most int) bool {
		from, n := i, 0
		for i < len(b) && isDigit(b[i]) && i-from < 2 {
			n = 10*n + int(b[i]-'0')
			i++
		}
		return i > from && n < most
	}
	if !part(24) || i >= len(b) || b[i] != ':' {
		return 0
	}
	i++
	if from := i; !part(60) || i-from != 2 {
		return 0
	}
	if i+2 < len(b) && b[i] == ':' && isDigit(b[i+1]) && isDigit(b[i+2]) {
		i++
		if !part(60) {
			return 0
		}
		if i+1 < len(b) && b[i] == '.' && isDigit(b[i+1]) {
			for i++; i < len(b) && isDigit(b[i]); i++ {
			}
		}
	}
	if i < len(b) && (isDigit(b[i]) || b[i] == ':') {
		return 0
	}
	return i + halfDay(b[i:])
}

// halfDay is the length of AM or PM at the start of b, with a blank before it or none.
func halfDay(b []byte) int {
	n := 0
	if len(b) > 2 && b[0] == ' ' {
		n = 1
	}
	if len(b) < n+2 || b[n]|0x20 != 'a' && b[n]|0x20 != 'p' || b[n+1]|0x20 != 'm' || len(b) > n+2 && (isLetter(b[n+2]) || isDigit(b[n+2])) {
		return 0
	}
	return n + 2
}

// dateLength is the length of a date: 25.11.2026, 11/25/26, 2026-11-25, 25-NOV-2026.
func dateLength(b []byte) int {
	if !isDigit(b[0]) {
		return 0
	}
	first := digitRun(b)
	if first != 1 && first != 2 && first != 4 || first >= len(b) {
		return 0
	}
	if n := namedDate(b, first); n > 0 {
		return n
	}
	sep := b[first]
	if sep != '.' && sep != '/' && sep != '-' {
		return 0
	}
	second := digitRun(b[first+1:])
	at := first + 1 + second
	if second < 1 || second > 2 || at >= len(b) || b[at] != sep {
		return 0
	}
	third := digitRun(b[at+1:])
	end := at + 1 + third
	if first == 4 && (third < 1 || third > 2) || first < 3 && third != 2 && third != 4 {
		return 0
	}
	if end < len(b) && (b[end] == sep || isLetter(b[end]) && b[end] != 'T') {
		return 0
	}
	a, c, d := number(b[:first]), number(b[first+1:at]), number(b[at+1:end])
	if first == 4 {
		if a < 1950 || a > 2150 || c < 1 || c > 31 || d < 1 || d > 31 || c > 12 && d > 12 {
			return 0
		}
		return end
	}
	if a > 31 && d > 31 && third == 2 || c < 1 || c > 31 || c > 12 && a > 12 && d > 12 {
		return 0
	}
	return end
}

// namedDate is the length of a date whose month is a word of three or four letters, first digits after its start.
func namedDate(b []byte, first int) int {
	i := first
	sep := byte(0)
	if !isLetter(b[i]) {
		if sep = b[i]; sep != '-' && sep != '.' && sep != '/' && sep != ' ' {
			return 0
		}
		i++
	}
	from := i
	for i < len(b) && isLetter(b[i]) {
		i++
	}
	if i-from < 3 || i-from > 4 || i >= len(b) {
		return 0
	}
	if sep != 0 {
		if b[i] != sep {
			return 0
		}
		i++
	}
	n := digitRun(b[i:])
	if n != 2 && n != 4 || first == 4 && n != 2 {
		return 0
	}
	if end := i + n; end < len(b) && (isLetter(b[end]) || b[end] == '.' && end+1 < len(b) && isDigit(b[end+1])) {
		return 0
	}
	return i + n
}

func digitRun(b []byte) (n int) {
	for n < len(b) && isDigit(b[n]) {
		n++
	}
	return n
}

func number(b []byte) (n int) {
	for _, c := range b {
		n = 10*n + int(c-'0')
	}
	return n
}
