// Package metrology is the arithmetic of weighing: what a repeatability, an error, a minimum weight, a limit, a correction for the
// air and an uncertainty are, given numbers. It is pure: no disk, no clock, no configuration.
//
// A mass is a *big.Rat in grams unless a name says otherwise, and nothing passes through a float on its way to a printed number.
// Square roots are good to Digits significant digits. Charts (chart.go) and the density of air (air.go) use float64, since they are
// fits and pictures in the sources themselves, and say so.
//
// Every formula names its source with its clause. A Source that is FromMemory has not been held against the document: whoever shows
// a number that rests on it says so.
//
// None of this makes a balance fit for trade, or a laboratory compliant: results support a calibration by a competent body and never
// replace it; legal metrology and the duties of a pharmacopoeia stay with the laboratory.
package metrology

// Source says where a formula or a limit comes from.
type Source struct {
	Name       string // "OIML R 111-1:2004"
	Clause     string // "Table 1"
	FromMemory bool   // the document itself could not be held against it
}

// String names the source for people, with the doubt where there is one.
func (s Source) String() string {
	text := s.Name
	if s.Clause != "" {
		text += ", " + s.Clause
	}
	if s.FromMemory {
		text += " (from memory: hold the document against it before relying on it)"
	}
	return text
}
