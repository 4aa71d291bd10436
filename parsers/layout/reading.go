package layout

import (
	"bytes"

	"weighpost/parsers/decimal"
	"weighpost/parsers/unit"
)

// Kind says which of a balance's weights a reading is.
type Kind uint8

// The kinds of weight. A layout that does not say leaves the kind unknown.
const (
	KindUnknown Kind = iota
	KindGross
	KindNet
	KindTare
	KindPresetTare
)

var kindNames = [...]string{"unknown", "gross", "net", "tare", "preset tare"}

// String is the word that records and layouts use.
func (k Kind) String() string { return kindNames[k] }

// Stability says whether the balance called its weight stable.
type Stability uint8

// What a balance can say of its stability. A layout that does not say leaves it unknown.
const (
	StabilityUnknown Stability = iota
	Stable
	Unstable
)

var stabilityNames = [...]string{"unknown", "stable", "unstable"}

// String is the word that records and layouts use.
func (s Stability) String() string { return stabilityNames[s] }

// Range says whether the load is within what the balance can weigh.
type Range uint8

// The states of the range. Over and under carry no digits.
const (
	InRange Range = iota
	OverRange
	UnderRange
)

var rangeNames = [...]string{"in", "over", "under"}

// String is the word that records and layouts use.
func (r Range) String() string { return rangeNames[r] }

// Reading is what one frame says. Apply fills it; it can be used again for the next frame, and copied: it points at nothing
// that changes.
type Reading struct {
	Kind            Kind
	Stability       Stability
	Range           Range
	AuxiliaryDigits int             // how many of the last digits are printed in brackets
	Number          decimal.Decimal // the digits; only with HasNumber
	HasNumber       bool            // false where the range is over or under
	Unit            unit.Unit       // the zero Unit where the range is over or under and no unit is printed
	Quantity        unit.Quantity   // what Unit measures: Mass, Count or Percent

	checkOK bool

	printedUnit, person, sample, balance, count, date, time, rangeNumber span

	used    uint16
	scratch [numberLimit]byte
	text    [textLimit]byte // what the spans point into, as UTF-8
}

// textLimit bounds the text of one reading, in bytes.
const textLimit = 384

type span struct{ from, to uint16 }

func (r *Reading) bytes(s span) []byte { return r.text[s.from:s.to] }

// Digits is the number as printed, normalised only in decimal sign, grouping and place of the sign; "" out of range.
func (r *Reading) Digits() string {
	if !r.HasNumber {
		return ""
	}
	return r.Number.String()
}

// UnitCode is the UCUM code of the unit, or "" where UCUM has none.
func (r *Reading) UnitCode() string { return r.Unit.Code }

// PrintedUnit is the unit as the balance printed it, or "" where it printed none.
func (r *Reading) PrintedUnit() string { return string(r.bytes(r.printedUnit)) }

// Person is the id of who weighed, as printed.
func (r *Reading) Person() string { return string(r.bytes(r.person)) }

// Sample is the sample's name as printed.
func (r *Reading) Sample() string { return string(r.bytes(r.sample)) }

// Balance is what the balance printed as its own name or number.
func (r *Reading) Balance() string { return string(r.bytes(r.balance)) }

// Count is the number of pieces: what the count field holds, else the digits of a reading whose unit is pieces, else "".
func (r *Reading) Count() string {
	if r.count == (span{}) && r.Quantity == unit.Count {
		return r.Digits()
	}
	return string(r.bytes(r.count))
}

// Date is the printed date: ISO 8601 where the layout knows the order, else as printed.
func (r *Reading) Date() string { return string(r.bytes(r.date)) }

// Time is the time of day as printed.
func (r *Reading) Time() string { return string(r.bytes(r.time)) }

// RangeNumber is the number of the weighing range, for a balance with several.
func (r *Reading) RangeNumber() string { return string(r.bytes(r.rangeNumber)) }

// CheckState is "ok" where the frame carried check characters (a frame whose check fails is not read), else "".
func (r *Reading) CheckState() string {
	if r.checkOK {
		return "ok"
	}
	return ""
}

// span is where the text of a field is noted.
func (r *Reading) span(f fieldName) *span {
	switch f {
	case fieldPerson:
		return &r.person
	case fieldSample:
		return &r.sample
	case fieldBalance:
		return &r.balance
	case fieldTime:
		return &r.time
	case fieldRangeNumber:
		return &r.rangeNumber
	case fieldCount:
		return &r.count
	}
	return &r.date
}

// put keeps b as text and notes where.
func (r *Reading) put(s *span, page codePage, b []byte) whyCode {
	out, fault := page.appendText(r.text[:r.used:textLimit], b)
	if fault != whyNone {
		return fault
	}
	*s = span{r.used, uint16(len(out))}
	r.used = uint16(len(out))
	return whyNone
}

// same says whether two readings tell the same. Readings of one frame that differ are an ambiguity.
func (r *Reading) same(o *Reading) bool {
	if r.Kind != o.Kind || r.Stability != o.Stability || r.Range != o.Range || r.AuxiliaryDigits != o.AuxiliaryDigits ||
		r.Number != o.Number || r.HasNumber != o.HasNumber || r.Unit != o.Unit || r.checkOK != o.checkOK {
		return false
	}
	a := [...]span{r.printedUnit, r.person, r.sample, r.balance, r.count, r.date, r.time, r.rangeNumber}
	b := [...]span{o.printedUnit, o.person, o.sample, o.balance, o.count, o.date, o.time, o.rangeNumber}
	for i := range a {
		if !bytes.Equal(r.bytes(a[i]), o.bytes(b[i])) {
			return false
		}
	}
	return true
}
