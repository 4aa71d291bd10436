package learn

import (
	"bytes"
	"slices"

	"weighpost/parsers/decimal"
)

// style is how the numbers of a slot are written, in the words of a layout's weight key.
type style struct {
	decimal  byte // '.' or ','
	group    byte // 0, ' ', '\'', '.' or ','
	trailing bool
	open     byte // of the brackets, 0 for none
	scales   []int
	anyPoint bool // some number has decimals
}

var groupNames = map[byte]string{0: "none", ' ': "space", '\'': "apostrophe", '.': "point", ',': "comma"}
var bracketNames = map[byte]string{'[': "square", '(': "round", '<': "angle"}

// read reads one number in the style. The scale of what it gives is the number of decimals printed.
func (st *style) read(b []byte) (d decimal.Decimal, ok bool) {
	b = bytes.Trim(b, " ")
	var out []byte
	if len(b) == 0 {
		return d, false
	}
	if last := len(b) - 1; st.trailing && isSign(b[last]) {
		out, b = append(out, b[last]), bytes.TrimRight(b[:last], " ")
	} else if isSign(b[0]) {
		out, b = append(out, b[0]), bytes.TrimLeft(b[1:], " ")
	}
	run, groups, point := 0, 0, false
	for _, c := range b {
		switch {
		case isDigit(c):
			out, run = append(out, c), run+1
		case c == st.decimal && !point:
			if groups > 0 && run != 3 {
				return d, false
			}
			out, point, run = append(out, '.'), true, 0
		case st.group != 0 && c == st.group && !point:
			if run < 1 || run > 3 || groups > 0 && run != 3 || groups == 0 && out[len(out)-run] == '0' {
				return d, false
			}
			groups, run = groups+1, 0
		case st.open != 0 && (c == st.open || c == '[' || c == ']' || c == '(' || c == ')' || c == '<' || c == '>'):
		default:
			return d, false
		}
	}
	if groups > 0 && !point && run != 3 {
		return d, false
	}
	d, err := decimal.Parse(out)
	return d, err == nil
}

// fits reads all numbers in the style and notes the decimals.
func (st *style) fits(values [][]byte) bool {
	st.scales, st.anyPoint = nil, false
	for _, v := range values {
		d, ok := st.read(v)
		if !ok {
			return false
		}
		if !slices.Contains(st.scales, d.Scale()) {
			st.scales = append(st.scales, d.Scale())
		}
		st.anyPoint = st.anyPoint || d.Scale() > 0
	}
	slices.Sort(st.scales)
	return len(values) > 0
}

// usual drops numbers of decimals that one value has where four have another: there a digit or the sign was lost.
// A value with a unit of its own may have a number of its own.
func (st *style) usual(values [][]byte, units []string) {
	counts, most, shared := map[int]int{}, 0, map[int]bool{}
	byUnit := map[string]int{}
	for _, u := range units {
		byUnit[u]++
	}
	for i, v := range values {
		d, _ := st.read(v)
		counts[d.Scale()]++
		most = max(most, counts[d.Scale()])
		shared[d.Scale()] = shared[d.Scale()] || byUnit[units[i]] > 1
	}
	st.scales = slices.DeleteFunc(st.scales, func(n int) bool { return counts[n]*4 <= most && counts[n] == 1 && shared[n] })
}

// agree says that two styles read all values alike.
func (st *style) agree(o *style, values [][]byte) bool {
	for _, v := range values {
		a, _ := st.read(v)
		if b, _ := o.read(v); a.String() != b.String() {
			return false
		}
	}
	return true
}

// styles lists the ways to read a slot's numbers that fit all of them, likeliest first.
func styles(values [][]byte, trailing bool) (all []style) {
	base := style{trailing: trailing}
	groups := map[byte]bool{}
	for _, v := range values {
		if i := bytes.IndexAny(v, "[(<"); i >= 0 {
			base.open = v[i]
		}
		for _, c := range []byte(" '.,") {
			if at := bytes.IndexByte(trimSigns(v), c); at > 0 {
				groups[c] = true
			}
		}
		if v := bytes.TrimSpace(v); len(v) > 0 && isSign(v[len(v)-1]) {
			base.trailing = true
		}
	}
	for _, point := range []byte(".,") {
		for _, group := range []byte{0, ' ', '\'', '.', ','} {
			if group == point || group != 0 && !groups[group] {
				continue
			}
			st := base
			st.decimal, st.group = point, group
			if st.fits(values) && (st.anyPoint || point == '.' || group == '.') {
				all = append(all, st)
			}
		}
	}
	return all
}

// onlyThrees says that every number has one comma or point with three digits behind it and one to three before, none of them
// a leading zero: it could be a decimal sign as well as a grouping sign.
func onlyThrees(values [][]byte, sign byte) bool {
	for _, v := range values {
		v = bytes.TrimRight(trimSigns(v), "+- ")
		at := bytes.IndexByte(v, sign)
		if at < 1 || at > 3 || len(v) != at+4 || digitRun(v) != at || digitRun(v[at+1:]) != 3 || v[0] == '0' {
			return false
		}
	}
	return len(values) > 0
}

// mixedThrees says that numbers without the sign are all below a thousand and those with it are all as onlyThrees has them.
func mixedThrees(values [][]byte, sign byte) bool {
	var with [][]byte
	for _, v := range values {
		w := bytes.TrimRight(trimSigns(v), "+- ")
		if bytes.IndexByte(w, sign) >= 0 {
			with = append(with, v)
		} else if digitRun(w) != len(w) || len(w) > 3 {
			return false
		}
	}
	return len(with) < len(values) && onlyThrees(with, sign)
}
