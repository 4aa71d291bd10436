// Package gs1 reads GS1 element strings, as scanners hand over what a GS1 bar code carries: application identifiers (AIs), each
// with its value, and the separator 0x1D, in whose place the symbol has FNC1, behind each value whose length is not fixed.
//
//	]C1 01095060001343 52 10ABC123<0x1D>17261231
//
// It reads and writes; what an AI is used for is its caller's business. Lengths and characters are those of the GS1 General
// Specifications, section 3, as GS1 publishes them in its syntax dictionary (github.com/gs1/gs1-syntax-dictionary, read in 2026);
// which AIs have a fixed length by their first two digits is figure 7.8.5-2, check digits are section 7.9, dates section 7.12
// (numbers of sections from memory, as of release 24).
//
// Nothing is guessed. An AI that is not known, a value that is too long or has a wrong check digit, two values for one AI, and a
// value that could be read in two ways because no separator came are errors that name AI and position.
package gs1

import "fmt"

// Separator ends a value whose length is not fixed, unless it is the last.
const Separator = '\x1d'

// MaxLength is how many characters are read at most. A GS1-128 symbol has up to 48; others hold more.
const MaxLength = 512

// Element is one application identifier with its value, as it stands in the code.
type Element struct{ AI, Value string }

// Fault says what is wrong with an element string, and where.
type Fault struct {
	AI  string // "" where none could be read
	At  int    // which character, from 1, the symbology identifier not counted
	Why string // goes on after "the value of AI (10), at character 17, "
}

// Error is a sentence without its full stop.
func (f *Fault) Error() string {
	if f.AI == "" {
		return fmt.Sprintf("at character %d %s", f.At, f.Why)
	}
	return fmt.Sprintf("AI (%s), at character %d, %s", f.AI, f.At, f.Why)
}

// symbologies are the symbology identifiers (ISO/IEC 15424) of codes that carry element strings: GS1-128, GS1 DataMatrix, GS1 QR
// Code, GS1 DataBar and the two-dimensional part of composites (General Specifications, figure 5.1.3-2).
var symbologies = map[string]bool{"]C1": true, "]d2": true, "]Q3": true, "]e0": true}

// Carries says whether codes of a symbology carry element strings.
func Carries(symbology string) bool { return symbologies[symbology] }

// Symbology splits off the symbology identifier that a scanner sends before a code, where there is one.
func Symbology(scan string) (symbology, data string) {
	letter := func(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }
	if len(scan) >= 3 && scan[0] == ']' && letter(scan[1]) && (letter(scan[2]) || scan[2] >= '0' && scan[2] <= '9') {
		return scan[:3], scan[3:]
	}
	return "", scan
}
