package formula

import (
	"fmt"
	"math/big"
)

// What a formula may be and grow to. They are far above what a procedure needs, and keep hostile text cheap.
const (
	MaxSource   = 2000    // characters
	MaxNodes    = 200     // numbers, names, operators and calls
	MaxDepth    = 30      // parentheses and calls within each other
	MaxList     = 10_000  // values in a list
	MaxExponent = 12      // of a power, either way, and of each base unit in a result
	MaxBits     = 4000    // of the numerator and of the denominator of any number, after each operation
	MaxDigits   = 60      // of a number as written
	MaxTen      = 30      // exponent of ten of a number as written, either way
	MaxText     = 200     // characters of a text
	maxSteps    = 200_000 // values of lists that one evaluation goes through, all functions together
	maxMistakes = 10      // told at once
)

// bounded refuses a number that grew too long.
func bounded(x *big.Rat) error {
	if x.Num().BitLen() > MaxBits || x.Denom().BitLen() > MaxBits {
		return fmt.Errorf("a number on the way has more than %d bits, about %d digits: the formula multiplies too much", MaxBits, MaxBits*3/10)
	}
	return nil
}
