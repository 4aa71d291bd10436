package layout

import (
	"bytes"

	"weighpost/parsers/unit"
)

// unitRule says how a balance prints its unit.
type unitRule struct {
	words    []unitWord // beside the symbols that weighpost knows, and before them
	always   *unit.Unit // the balance prints no unit: this one is meant
	missing  bool       // a weight without its unit is not stable
	fallback *unit.Unit // the unit of a weight without its unit
}

type unitWord struct {
	text []byte
	unit unit.Unit
}

// unitExtent is the length of a unit that no width delimits.
func (l *Layout) unitExtent(p *piece, rest []byte) int {
	length := textExtent(p, rest)
	for i := range l.unit.words { // a unit of two words, such as "troy oz"
		w := l.unit.words[i].text
		if len(w) > length && bytes.HasPrefix(rest, w) && (len(w) == len(rest) || isBlank(rest[len(w)]) || bytes.HasPrefix(rest[len(w):], p.stop) && len(p.stop) > 0) {
			length = len(w)
		}
	}
	return length
}

// lookUp finds the unit of a printed symbol in UTF-8, whose bytes in the code page are raw.
func (l *Layout) lookUp(raw, symbol []byte) (unit.Unit, whyCode) {
	for i := range l.unit.words {
		if bytes.Equal(l.unit.words[i].text, raw) {
			return l.unit.words[i].unit, whyNone
		}
	}
	u, found, ambiguous := unit.Printed(symbol)
	switch {
	case found:
		return u, whyNone
	case len(ambiguous) > 0:
		return u, whyAmbiguousUnit
	}
	return u, whyUnknownUnit
}

// unitKnown says whether raw can be a unit at all, for a field that may be missing.
func (l *Layout) unitKnown(raw []byte) bool {
	var buf [64]byte
	symbol, fault := l.page.appendText(buf[:0], raw)
	if fault != whyNone {
		return false
	}
	_, why := l.lookUp(raw, symbol)
	return why != whyUnknownUnit
}

// unit reads a printed unit.
func (m *matcher) unit(v []byte) whyCode {
	if len(v) == 0 {
		if m.l.unit.missing || m.r.Range != InRange {
			m.unitMissing = true
			return whyNone
		}
		return whyNoUnit
	}
	if fault := m.r.put(&m.r.printedUnit, m.l.page, v); fault != whyNone {
		return fault
	}
	u, why := m.l.lookUp(v, m.r.bytes(m.r.printedUnit))
	m.r.Unit = u
	return why
}

// settle completes a reading once all of its lines are matched: what the layout states where the balance prints nothing.
// It returns why the reading is none.
func (m *matcher) settle() whyCode {
	l, r := m.l, m.r
	if r.Range != InRange {
		r.Number, r.HasNumber, r.AuxiliaryDigits = zeroNumber, false, 0
	} else if !r.HasNumber {
		return whyNoWeight
	}
	if r.Kind == KindUnknown && !m.has(fieldKind) {
		r.Kind = l.kind
	}
	if r.Stability == StabilityUnknown && !m.has(fieldStability) {
		r.Stability = l.still
	}
	switch {
	case r.Unit.Quantity != unit.Unknown:
		if l.unit.missing && r.HasNumber && r.Stability == StabilityUnknown && !m.has(fieldStability) {
			r.Stability = Stable // such a balance prints the unit once the weight is stable
		}
	case l.unit.always != nil:
		r.Unit = *l.unit.always
	case m.unitMissing && l.unit.missing && r.HasNumber:
		if r.Stability == Stable {
			return whyStableWithoutUnit
		}
		if l.unit.fallback == nil {
			return whyUnstableWithoutUnit
		}
		r.Stability, r.Unit = Unstable, *l.unit.fallback
	case r.HasNumber:
		return whyNoUnit
	}
	r.Quantity = r.Unit.Quantity
	return whyNone
}
