// Package formula is the small language in which procedures say what to work out:
//
//	(wet - dry) / (wet - dish)
//	cv(lots) <= "4 %" ? mean(lots) : mean(within(lots, 2))
//
// It owns quantities with their units, what may be written, what it means, how a result is rounded, and what of it goes into the record.
// It is pure: no disk, no clock, no network. It does not know procedures, balances or people.
//
// Numbers are exact: each is a *big.Rat in base units (g, m, s, K or Cel, mol), a literal is read from the text and never passes through a
// float, and a square root has metrology.Digits significant digits. Units are held against each other when a formula is compiled, from
// the declared types of its names, and again when it is evaluated. So the result is the same whatever unit an input is given in.
//
// The grammar is that of a part of github.com/expr-lang/expr, whose parser reads it; what stands in a formula is looked over before that
// parser sees it (scan.go) and after (compile.go), and everything that is not listed here is refused with a sentence and its column.
// Nothing of that library evaluates anything.
//
// What is promised for any text and any input: an answer or a sentence, within the bounds of limits.go, and no panic.
package formula
