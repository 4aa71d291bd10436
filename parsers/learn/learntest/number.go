package learntest

import (
	"strings"
	"unicode/utf8"
)

type signStyle uint8

const (
	minusAttached signStyle = iota // "-12.3", and "12.3" without a sign
	bothAttached                   // "-12.3" and "+12.3"
	minusApart                     // "-   12.3" and "    12.3"
	bothApart                      // "-   12.3" and "+   12.3"
	minusBehind                    // "12.3-" and "12.3 "
	bothBehind                     // "12.3-" and "12.3+"
)

// numberStyle is how a balance writes numbers. One balance writes all of them in one way.
type numberStyle struct {
	comma   bool   // the decimal sign
	group   string // between groups of three whole digits; "" for none
	sign    signStyle
	width   int    // of the whole number with its sign, padded with blanks; 0 for none
	left    bool   // padded on the right
	zeros   int    // whole digits, filled up with zeros; 0 for none
	naked   bool   // ".5" for "0.5"
	pointed bool   // "12." where there are no decimals
	open    string // bracket before the last digits
	shut    string
	aux     int  // how many digits stand in brackets
	coarse  bool // the last digit stays blank while the load moves
}

// amount is a value as the generator keeps it.
type amount struct {
	n        int64 // in units of 10^-scale
	scale    int
	negative bool // of a zero: "-0.00"
}

func (a amount) minus() bool { return a.n < 0 || a.n == 0 && a.negative }

// coarser is the amount without its last digit.
func (a amount) coarser() amount {
	return amount{n: a.n / 10, scale: a.scale - 1, negative: a.negative}
}

// parts gives whole digits and decimals without sign.
func (a amount) parts() (whole, decimals string) {
	n := a.n
	if n < 0 {
		n = -n
	}
	s := itoa(n)
	for len(s) <= a.scale {
		s = "0" + s
	}
	return s[:len(s)-a.scale], s[len(s)-a.scale:]
}

func itoa(n int64) string {
	var buf [20]byte
	i := len(buf)
	for {
		i--
		buf[i] = byte('0' + n%10)
		if n /= 10; n == 0 {
			return string(buf[i:])
		}
	}
}

// plain is the amount as a person reads it off a display.
func (a amount) plain() string {
	whole, decimals := a.parts()
	if decimals != "" {
		whole += "." + decimals
	}
	if a.minus() {
		return "-" + whole
	}
	return whole
}

// write gives the number as printed, padded, and as a layout normalises it.
func (s numberStyle) write(a amount) (printed, digits string) {
	whole, decimals := a.parts()
	if s.zeros > 0 {
		whole = strings.Repeat("0", max(0, s.zeros-len(whole))) + whole
	}
	if s.naked && whole == "0" && decimals != "" {
		whole = ""
	}
	body := grouped(whole, s.group)
	digits = whole
	if decimals != "" || s.pointed {
		body, digits = body+s.point(), digits+"."
	}
	digits += decimals
	if s.aux > 0 && s.aux <= len(decimals) {
		cut := len(decimals) - s.aux
		body += decimals[:cut] + s.open + decimals[cut:] + s.shut
	} else {
		body += decimals
	}
	sign := s.signOf(a)
	return s.place(sign, body), strings.TrimSpace(sign) + digits
}

func (s numberStyle) point() string {
	if s.comma {
		return ","
	}
	return "."
}

// signOf gives the printed sign: "-", "+", a blank in its column, or nothing.
func (s numberStyle) signOf(a amount) string {
	both := s.sign == bothAttached || s.sign == bothApart || s.sign == bothBehind
	switch {
	case a.minus():
		return "-"
	case both:
		return "+"
	case s.sign == minusAttached:
		return ""
	}
	return " "
}

// place puts the sign to the digits and pads both to the width.
func (s numberStyle) place(sign, body string) string {
	pad := strings.Repeat(" ", max(0, s.width-utf8.RuneCountInString(body)-len(sign)))
	switch s.sign {
	case minusAttached, bothAttached:
		if s.left {
			return sign + body + pad
		}
		return pad + sign + body
	case minusApart, bothApart:
		if s.width == 0 && sign != " " {
			return sign + " " + body
		}
		return sign + pad + body
	}
	if s.left {
		return body + sign + pad
	}
	return pad + body + sign
}

// grouped parts whole digits by threes.
func grouped(whole, by string) string {
	if by == "" {
		return whole
	}
	for at := len(whole) - 3; at > 0; at -= 3 {
		whole = whole[:at] + by + whole[at:]
	}
	return whole
}

// commonNumber draws a way of writing numbers: most balances pad with blanks to a fixed width, with a point.
func commonNumber(d dice, digits, scale int) numberStyle {
	s := numberStyle{comma: d.in100(20)}
	s.sign = shared(d, []share[signStyle]{{50, minusAttached}, {18, bothAttached}, {10, minusApart}, {14, bothApart}, {4, minusBehind}, {4, bothBehind}})
	s.group = shared(d, []share[string]{{94, ""}, {2, " "}, {2, "'"}, {2, one(d, ".", ",")}})
	if s.group == s.point() {
		s.group = ""
	}
	if scale == 0 && s.group == "" && d.in100(15) {
		s.pointed = true
	}
	longest := digits + 1 // with the sign
	if scale > 0 || s.pointed {
		longest++
	}
	if s.group != "" {
		longest += (digits - scale - 1) / 3
	}
	switch {
	case d.in100(78):
		s.width = longest + d.between(0, 3)
		s.left = d.in100(4) && s.sign != minusApart && s.sign != bothApart
	case d.in100(30) && s.group == "":
		s.zeros = digits - scale
		s.width = longest
	case d.in100(6):
		s.naked = true
	}
	if s.width == 0 && (s.sign == minusApart || s.sign == minusBehind) {
		s.sign = minusAttached
	}
	return s
}
