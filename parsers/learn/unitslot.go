package learn

import (
	"weighpost/parsers/unit"
)

// unitSlot is the slot of the unit beside number i: right behind it, past brackets, or right before it. -1 for none.
func (p *plan) unitSlot(i int) int {
	if k := p.nearUnit(i); k >= 0 {
		return k
	}
	g := p.g
	for _, step := range []int{1, -1} {
		for k := i + step; k >= 0 && k < len(g.slots); k += step {
			s := &g.slots[k]
			if p.isUnit(k) {
				if step < 0 && p.belongsBefore(k) {
					break
				}
				return k
			}
			if s.kind != tokMark || len(g.distinct(s)) != 1 {
				break
			}
		}
	}
	return -1
}

// nearUnit is the slot of a unit with nothing but blanks, brackets or a sign between it and number i, or -1.
func (p *plan) nearUnit(i int) int {
	for _, step := range []int{1, -1} {
		for k := i + step; k >= 0 && k < len(p.g.slots); k += step {
			if p.isUnit(k) {
				if step < 0 && k > 0 && p.g.slots[k-1].kind == tokNumber && p.belongsBefore(k) {
					break
				}
				return k
			}
			if s := &p.g.slots[k]; s.kind != tokMark || len(p.g.distinct(s)) != 1 && !p.g.signsOnly(s) || p.g.separates(s) || p.g.example(k) == "/" {
				break
			}
		}
	}
	return -1
}

func (p *plan) isUnit(k int) bool {
	s := &p.g.slots[k]
	return (s.kind == tokWord || s.kind == tokMark) && p.g.unitsOnly(s)
}

// belongsBefore says that the unit in slot k is that of the number right before it.
func (p *plan) belongsBefore(k int) bool {
	n := k - 1
	if n > 0 && p.g.separates(&p.g.slots[n]) {
		n--
	}
	if n < 0 || p.g.slots[n].kind != tokNumber || notWeight(p.labelled(n)) || p.unitBetween(n) {
		return false
	}
	s := &p.g.slots[n]
	return n == k-1 || hasDecimals(p.g.values(s)) || !p.counts(s) && !p.g.climbs(s) && !idLike(p.g.example(n)) && len(p.g.distinct(s)) > 1
}

// unitBehind is the unit right behind number i, or -1.
func (p *plan) unitBehind(i int) int {
	if i+1 < len(p.g.slots) {
		if s := &p.g.slots[i+1]; (s.kind == tokWord || s.kind == tokMark) && p.g.unitsOnly(s) {
			return i + 1
		}
	}
	return -1
}

// isMass says that a slot of units can be units of mass in most lines.
func (p *plan) isMass(k int, a *Answers) bool {
	if k < 0 {
		return false
	}
	for v := range p.g.distinct(&p.g.slots[k]) {
		if v != "" && massSymbol(v, a) {
			return true
		}
	}
	return false
}

// unitBetween says that the unit behind number i belongs to the number after it: number i has no decimals and looks like a
// name, or never changes, and the next number has neither.
func (p *plan) unitBetween(i int) bool {
	u := p.unitBehind(i)
	if u >= 0 && u+1 < len(p.g.slots) && p.g.measures(&p.g.slots[u+1]) && !hasDecimals(p.g.values(&p.g.slots[i])) {
		return true
	}
	if u < 0 || u+1 >= len(p.g.slots) || p.g.slots[u+1].kind != tokNumber || p.unitBehind(u+1) >= 0 {
		return false
	}
	s := &p.g.slots[i]
	if hasDecimals(p.g.values(s)) {
		return false
	}
	if hasDecimals(p.g.values(&p.g.slots[u+1])) {
		return true
	}
	next := p.g.distinct(&p.g.slots[u+1])
	return len(p.g.distinct(s)) == 1 && len(next) > 1 || p.counts(s) || idLike(p.g.example(i))
}

// unitNamed says that the key is a unit's.
func unitNamed(key string) bool {
	_, ok := unit.Named(key)
	return ok
}
