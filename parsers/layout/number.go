package layout

import "bytes"

// number says how a balance writes the digits of a weight.
type number struct {
	decimal     byte  // '.' or ','
	decimals    []int // how many may stand after the decimal sign; none: any number
	group       byte  // 0 where digits are not grouped
	sign        signPlace
	open, shut  byte // brackets about auxiliary digits; 0 where there are none
	over, under [][]byte
}

type signPlace uint8

const (
	signAttached signPlace = iota // "-12.3"
	signDetached                  // "-   12.3"
	signTrailing                  // "12.3-"
)

// mostDigits is what an exact decimal holds.
const mostDigits = 18

// numberLimit is the longest normalised number: sign, digits and a point.
const numberLimit = mostDigits + 2

func isDigit(c byte) bool { return c-'0' <= 9 }
func isSign(c byte) bool  { return c == '+' || c == '-' }
func isBlank(c byte) bool { return c == ' ' || c == '\t' }

// numeric says whether c could belong to a number in some layout. What follows a number directly must begin with
// something else, so that "1,234.5" can never read as "1".
func (n *number) numeric(c byte) bool {
	switch c {
	case '+', '-', '.', ',', '\'':
		return true
	}
	return isDigit(c) || c != 0 && (c == n.open || c == n.shut)
}

// extent is how many bytes at the start of b look like one number that no width delimits. A byte equal to stop ends it:
// the literal that the layout names next.
func (n *number) extent(b []byte, stop int) int {
	i, point := 0, false
	if n.sign != signTrailing && len(b) > 0 && isSign(b[0]) {
		i++
		for n.sign == signDetached && i < len(b) && isBlank(b[i]) {
			i++
		}
	}
	for i < len(b) && int(b[i]) != stop {
		blankGroup := b[i] == ' ' && n.group == ' ' && !point && i > 0 && isDigit(b[i-1]) && i+1 < len(b) && isDigit(b[i+1])
		if !blankGroup && !n.numeric(b[i]) {
			break
		}
		point = point || b[i] == n.decimal
		i++
	}
	return i
}

// mark finds out whether b, which has no blanks about it, is a mark for a weight out of range.
func (n *number) mark(b []byte) (Range, bool) {
	for _, m := range n.over {
		if bytes.Equal(m, b) {
			return OverRange, true
		}
	}
	for _, m := range n.under {
		if bytes.Equal(m, b) {
			return UnderRange, true
		}
	}
	return InRange, false
}

// markAt is the longest mark that b begins with and that no digit or sign follows, and its length.
func (n *number) markAt(b []byte) (state Range, length int) {
	try := func(marks [][]byte, s Range) {
		for _, m := range marks {
			if len(m) > length && bytes.HasPrefix(b, m) && (len(m) == len(b) || !n.numeric(b[len(m)])) {
				state, length = s, len(m)
			}
		}
	}
	try(n.over, OverRange)
	try(n.under, UnderRange)
	return state, length
}

// normalise rewrites b, which has no blanks about it, into sign, digits and point, appended to dst. It returns how many
// of the last digits were in brackets. It refuses whatever is not exactly one number in the declared way of writing.
func (n *number) normalise(dst, b []byte) (out []byte, auxiliary int, fault whyCode) {
	b, sign, fault := n.takeSign(b)
	if fault != whyNone {
		return dst, 0, fault
	}
	if sign != 0 {
		dst = append(dst, sign)
	}
	if n.open != 0 && len(b) > 0 && b[len(b)-1] == n.shut {
		at := bytes.IndexByte(b, n.open)
		if at <= 0 || !allDigits(b[at+1:len(b)-1]) || !isDigit(b[at-1]) && b[at-1] != n.decimal {
			return dst, 0, whyBrackets
		}
		auxiliary = len(b) - at - 2
		dst, fault = n.digits(dst, b[:at], b[at+1:len(b)-1])
		return dst, auxiliary, fault
	}
	dst, fault = n.digits(dst, b, nil)
	return dst, 0, fault
}

func (n *number) takeSign(b []byte) (rest []byte, sign byte, fault whyCode) {
	if len(b) == 0 {
		return b, 0, whyNoDigits
	}
	if n.sign == signTrailing {
		if last := len(b) - 1; isSign(b[last]) {
			b, sign = b[:last], b[last]
		}
		return b, sign, whyNone
	}
	if isSign(b[0]) {
		b, sign = b[1:], b[0]
		if n.sign == signDetached {
			b = trimLeft(b)
		}
	}
	return b, sign, whyNone
}

// digits appends whole digits, point and decimals: those of b and then tail, the digits out of the brackets.
func (n *number) digits(dst, b, tail []byte) (out []byte, fault whyCode) {
	count, run, groups, point := 0, 0, 0, false
	take := func(c byte) bool {
		if count++; count > mostDigits {
			return false
		}
		dst, run = append(dst, c), run+1
		return true
	}
	for _, c := range b {
		switch {
		case isDigit(c):
			if !take(c) {
				return dst, whyTooManyDigits
			}
		case c == n.decimal && point:
			return dst, whyTwoPoints
		case c == n.decimal:
			if groups > 0 && run != 3 {
				return dst, whyGrouping
			}
			dst, point, run = append(dst, '.'), true, 0
		case c == n.group && c != 0 && !point:
			if run < 1 || run > 3 || groups > 0 && run != 3 {
				return dst, whyGrouping
			}
			groups, run = groups+1, 0
		default:
			return dst, whyNotNumber
		}
	}
	for _, c := range tail {
		if !take(c) {
			return dst, whyTooManyDigits
		}
	}
	switch {
	case count == 0:
		return dst, whyNoDigits
	case groups > 0 && !point && run != 3:
		return dst, whyGrouping
	}
	return dst, whyNone
}

func allDigits(b []byte) bool {
	for _, c := range b {
		if !isDigit(c) {
			return false
		}
	}
	return len(b) > 0
}

func trimLeft(b []byte) []byte {
	for len(b) > 0 && isBlank(b[0]) {
		b = b[1:]
	}
	return b
}

func trimRight(b []byte) []byte {
	for len(b) > 0 && isBlank(b[len(b)-1]) {
		b = b[:len(b)-1]
	}
	return b
}

func trim(b []byte) []byte { return trimRight(trimLeft(b)) }
