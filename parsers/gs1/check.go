package gs1

import (
	"fmt"
	"strings"
	"time"
)

// CheckDigit gives the check digit of a key without it, or false where there are other characters than digits: from the right the
// digits count 3, 1, 3, 1 …, and the check digit brings the sum to a multiple of ten (General Specifications, section 7.9.1).
func CheckDigit(digits string) (byte, bool) {
	sum := 0
	for i := range len(digits) {
		c := digits[len(digits)-1-i]
		if c < '0' || c > '9' {
			return 0, false
		}
		sum += int(c-'0') * (3 - i%2*2)
	}
	return byte('0' + (10-sum%10)%10), digits != ""
}

// set82 are the characters of AI values (General Specifications, figure 7.11-1); letters and digits belong to it too. set39 are those
// of component and part identifiers (figure 7.11-2), and set64 of base 64 for file names (RFC 4648, section 5, with padding).
const (
	set82 = `!"%&'()*+,-./:;<=>?_`
	set39 = `#-/`
	set64 = `-_=`
)

func (p part) holds(c byte) bool {
	digit, upper, lower := c >= '0' && c <= '9', c >= 'A' && c <= 'Z', c >= 'a' && c <= 'z'
	switch p.set {
	case 'N':
		return digit
	case 'X':
		return digit || upper || lower || strings.IndexByte(set82, c) >= 0
	case 'Y':
		return digit || upper || strings.IndexByte(set39, c) >= 0
	}
	return digit || upper || lower || strings.IndexByte(set64, c) >= 0
}

// fault says why a value cannot be that of the AI, and at which of its characters, or "".
func (f format) fault(value string) (why string, at int) {
	least, most := f.lengths()
	switch {
	case value == "":
		return "has no value", 0
	case len(value) < least:
		return fmt.Sprintf("has %d characters: at least %d belong to it", len(value), least), 0
	case len(value) > most:
		return fmt.Sprintf("has %d characters: at most %d belong to it, so a separator may be missing", len(value), most), most
	}
	for _, p := range f.parts {
		n := min(p.most, len(value)-at)
		if n == 0 {
			break
		}
		if n < p.least || p.whole && n != p.most {
			return fmt.Sprintf("ends after %d characters of a part that has %d", n, p.most), at
		}
		if why, i := p.fault(value[at : at+n]); why != "" {
			return why, at + i
		}
		at += n
	}
	return "", 0
}

func (p part) fault(text string) (why string, at int) {
	for i := range len(text) {
		if !p.holds(text[i]) {
			return fmt.Sprintf("holds %q, which does not belong into it", text[i]), i
		}
	}
	if p.check {
		last := len(text) - 1
		if want, ok := CheckDigit(text[:last]); !ok || want != text[last] {
			return fmt.Sprintf("ends with the check digit %c, and %c is right: it was read wrong, or printed wrong", text[last], want), last
		}
	}
	if p.date {
		if _, ok := date(text, 2000, !p.dayNeeded); !ok {
			return fmt.Sprintf("is %q, which is no date as YYMMDD", text), 0
		}
	}
	return "", 0
}

// date reads YYMMDD of a century. Day 00 stands for the whole month where that is allowed, which ends with its last day.
func date(text string, century int, wholeMonth bool) (time.Time, bool) {
	number := func(s string) int { return int(s[0]-'0')*10 + int(s[1]-'0') }
	y, m, d := century+number(text[:2]), number(text[2:4]), number(text[4:6])
	if m < 1 || m > 12 || d == 0 && !wholeMonth {
		return time.Time{}, false
	}
	if d == 0 {
		return time.Date(y, time.Month(m)+1, 0, 0, 0, 0, 0, time.UTC), true
	}
	t := time.Date(y, time.Month(m), d, 0, 0, 0, 0, time.UTC)
	return t, t.Day() == d
}

// Date gives the day that a value says that begins with a date, as midnight UTC, or false where there is none. Two digits of a year
// mean the year that is at most 49 years behind this one and at most 50 before it (General Specifications, section 7.12, figure
// 7.12-1): of the year today, 51 to 99 ahead is the century before, and 50 to 99 behind the century after.
func (e Element) Date(today time.Time) (time.Time, bool) {
	f, known := table[e.AI]
	if !known || !f.parts[0].date || len(e.Value) < 6 {
		return time.Time{}, false
	}
	if why, _ := f.parts[0].fault(e.Value[:6]); why != "" {
		return time.Time{}, false
	}
	century, yy := today.Year()/100*100, int(e.Value[0]-'0')*10+int(e.Value[1]-'0')
	switch ahead := yy - today.Year()%100; {
	case ahead >= 51:
		century -= 100
	case ahead <= -50:
		century += 100
	}
	return date(e.Value[:6], century, !f.parts[0].dayNeeded)
}

// Decimal gives the value of an AI whose last digit says how many of the digits stand behind the decimal point (31nn to 36nn, 390n to
// 395n), with the digits as they are but for leading zeros: 3103 001250 is 1.250. False for every other AI.
func (e Element) Decimal() (string, bool) {
	if len(e.AI) != 4 || !Known(e.AI) || e.AI[0] != '3' {
		return "", false
	}
	digits := e.Value
	if len(table[e.AI].parts) == 2 { // an ISO 4217 currency comes first
		digits = digits[min(3, len(digits)):]
	}
	for i := range len(digits) {
		if digits[i] < '0' || digits[i] > '9' {
			return "", false
		}
	}
	places := int(e.AI[3] - '0')
	if len(digits) <= places {
		digits = strings.Repeat("0", places+1-len(digits)) + digits
	}
	whole, rest := strings.TrimLeft(digits[:len(digits)-places], "0"), digits[len(digits)-places:]
	if whole == "" {
		whole = "0"
	}
	if rest == "" {
		return whole, true
	}
	return whole + "." + rest, true
}
