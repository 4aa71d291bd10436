package layout

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
	AuxiliaryDigits int // how many of the last digits are printed in brackets
	checked         bool

	printedUnit, sample, balance, count, date, time, rangeNumber span

	used uint16
	text [textLimit]byte // what the spans point into, as UTF-8
}

// textLimit bounds the text of one reading, in bytes.
const textLimit = 384

type span struct{ from, to uint16 }

func (r *Reading) at(s span) string { return string(r.text[s.from:s.to]) }

// Digits is the number as printed, normalised only in decimal sign, grouping and place of the sign; "" out of range.
func (r *Reading) Digits() string { return "" }

// UnitCode is the UCUM code of the unit, or "" where UCUM has none.
func (r *Reading) UnitCode() string { return "" }

// PrintedUnit is the unit as the balance printed it, or "" where it printed none.
func (r *Reading) PrintedUnit() string { return r.at(r.printedUnit) }

// Sample is the sample's name as printed.
func (r *Reading) Sample() string { return r.at(r.sample) }

// Balance is what the balance printed as its own name or number.
func (r *Reading) Balance() string { return r.at(r.balance) }

// Count is the number of pieces as printed.
func (r *Reading) Count() string { return r.at(r.count) }

// Date is the printed date: ISO 8601 where the layout knows the order, else as printed.
func (r *Reading) Date() string { return r.at(r.date) }

// Time is the printed time of day, as printed.
func (r *Reading) Time() string { return r.at(r.time) }

// RangeNumber is the number of the weighing range, for a balance with several.
func (r *Reading) RangeNumber() string { return r.at(r.rangeNumber) }

// CheckState is "ok" where the frame carried check characters (a frame whose check fails is not read), else "".
func (r *Reading) CheckState() string {
	if r.checked {
		return "ok"
	}
	return ""
}
