package learn

import (
	"bytes"
	"fmt"
	"slices"
)

// chooseStyle settles the decimal sign and the grouping of the weight, or says why that would be a guess.
func (p *plan) chooseStyle(a *Answers, c *context) *refusal {
	s := &p.g.slots[p.weight]
	values := p.g.values(s)
	ways := styles(values, s.trailing)
	if a.Decimal != "" {
		want := map[string]byte{"point": '.', "comma": ','}[a.Decimal]
		ways = slices.DeleteFunc(ways, func(st style) bool { return st.decimal != want && (st.anyPoint || st.group == want) })
	}
	ways = slices.DeleteFunc(ways, func(st style) bool { return !p.shownSo(&st, c) })
	if len(ways) == 0 {
		return &refusal{why: "the numbers of the lines are not written in one way, or not as the answers say"}
	}
	p.style = ways[0]
	defer func() { p.style.usual(values, p.unitsOf(s)) }()
	ways = slices.DeleteFunc(ways, func(st style) bool { return st.decimal != ways[0].decimal && st.agree(&ways[0], values) })
	if len(ways) == 1 || a.Decimal != "" || len(c.anyShow)+len(c.display) > 0 && p.tellsApart(ways, c) {
		return nil
	}
	return p.settleStyle(values, ways, c)
}

// sameUnit keeps the values whose unit most lines have: grams and pieces are written in ways of their own.
func (p *plan) sameUnit(values [][]byte) (same [][]byte) {
	units := p.unitsOf(&p.g.slots[p.weight])
	counts := map[string]int{}
	for _, u := range units {
		counts[u]++
	}
	most := ""
	for _, u := range sorted(counts) {
		mass, before := massSymbol(u, &Answers{}), massSymbol(most, &Answers{})
		if most == "" || mass && !before || counts[u] > counts[most] && mass == before {
			most = u
		}
	}
	for i, v := range values {
		if units[i] == most {
			same = append(same, v)
		}
	}
	return same
}

// unitsOf gives the printed unit of each line that has a number in slot s.
func (p *plan) unitsOf(s *slot) (units []string) {
	u := p.unitSlot(p.weight)
	for k := range s.vals {
		if len(p.g.value(s, k)) == 0 {
			continue
		}
		if u < 0 {
			units = append(units, "")
		} else {
			units = append(units, p.g.text(&p.g.slots[u], k))
		}
	}
	return units
}

// settleStyle decides between several ways of reading the same digits, where the numbers themselves decide.
func (p *plan) settleStyle(values [][]byte, ways []style, c *context) *refusal {
	pick := func(decimal byte) {
		for _, st := range ways {
			if st.decimal == decimal {
				p.style = st
				return
			}
		}
	}
	grouping := func(sign byte) {
		for _, st := range ways {
			if st.group == sign {
				p.style = st
				return
			}
		}
	}
	values = p.sameUnit(values)
	switch {
	case onlyThrees(values, ','):
		if !c.comma {
			return p.commaRefusal(values)
		}
		pick(',')
		p.doubt("decimal", "the comma is taken for the decimal sign, since the sample's other numbers or words speak for that; if it groups digits, every weight is a thousand times larger")
	case onlyThrees(values, '.'):
		pick('.')
	case mixedThrees(values, ',') && !p.oneWithout(values, ','):
		grouping(',')
	case mixedThrees(values, ','):
		return p.commaRefusal(values)
	case mixedThrees(values, '.'):
		return p.commaRefusal(values)
	}
	for _, st := range ways {
		if !st.agree(&p.style, values) && st.decimal != p.style.decimal && p.style.decimal == ways[0].decimal && !onlyThrees(values, '.') && !mixedThrees(values, ',') {
			return p.commaRefusal(values)
		}
	}
	return nil
}

// oneWithout says that one number only is without the sign: it may be the rest of a cut line.
func (p *plan) oneWithout(values [][]byte, sign byte) bool {
	n := 0
	for _, v := range values {
		if bytes.IndexByte(v, sign) < 0 {
			n++
		}
	}
	return n < 2
}

func (p *plan) commaRefusal(values [][]byte) *refusal {
	v := values[0]
	return &refusal{
		why: fmt.Sprintf("in %q the sign may begin the decimals or group the digits by thousands, and no line of the sample shows which: say what the display showed", v),
		questions: []Question{{Key: "decimal", Text: fmt.Sprintf("What begins the decimals? The sample's weights are written like %q.", v),
			Choices: []Choice{{"comma", "a comma begins the decimals"}, {"point", "a point begins the decimals; a comma groups the digits"}}}, p.displayQuestion()},
	}
}

// shownSo says that the style reads what the displays showed.
func (p *plan) shownSo(st *style, c *context) bool {
	s := &p.g.slots[p.weight]
	for k := range s.vals {
		if want, ok := c.display[p.g.index[k]]; ok {
			if d, fine := st.read(p.g.value(s, k)); !fine || bare(d.String()) != bare(want.digits) {
				return false
			}
		}
	}
	for _, want := range c.anyShow {
		if !slices.ContainsFunc(p.g.values(s), func(v []byte) bool {
			d, ok := st.read(v)
			return ok && bare(d.String()) == bare(want.digits)
		}) {
			return false
		}
	}
	return true
}

// tellsApart says that what the displays showed leaves the styles with one reading.
func (p *plan) tellsApart(ways []style, c *context) bool {
	for _, st := range ways[1:] {
		if st.decimal != ways[0].decimal {
			return false
		}
	}
	return true
}
