package secret

import (
	"fmt"
	"slices"
	"strings"

	"weighpost/parsers/strict"
)

// PINConfig is the policy for PINs, which go with a badge at a bench.
type PINConfig struct {
	Minimum int `yaml:"minimum" desc:"Least number of digits of a PIN: 4 to 32." default:"6"`
	// Signs says whether a PIN may stand where a signature asks for the secret.
	Signs        bool `yaml:"signs" desc:"true: a PIN also counts as the secret of a signature, where it has signs_minimum digits." default:"false"`
	SignsMinimum int  `yaml:"signs_minimum" desc:"Least number of digits of a PIN that signs: 8 to 32." default:"8"`
}

// Check adds every fault that it sees to r.
func (c *PINConfig) Check(r *strict.Report) {
	if c.Minimum != 0 && (c.Minimum < 4 || c.Minimum > mostDigits) {
		r.At("minimum").Fault(fmt.Sprintf("%d digits", c.Minimum), "4 to 32")
	}
	if c.SignsMinimum != 0 && (c.SignsMinimum < withAnother || c.SignsMinimum > mostDigits) {
		r.At("signs_minimum").Fault(fmt.Sprintf("%d digits", c.SignsMinimum), "8 to 32")
	}
}

const mostDigits = 32

// PINPolicy says which PINs may be chosen.
type PINPolicy struct {
	Minimum      int // digits; 0: 6
	Signs        bool
	SignsMinimum int // digits; 0: 8
}

// Policy gives the policy that the configuration means.
func (c PINConfig) Policy() PINPolicy {
	return PINPolicy(c)
}

// Least is how many digits a PIN has at least.
func (p PINPolicy) Least() int { return orElse(p.Minimum, 6) }

// Check says with a sentence why a PIN may not be chosen, or nil. The sentence never repeats the PIN. About is what is known
// of the person: id, badges.
func (p PINPolicy) Check(pin string, about ...string) error {
	least := p.Least()
	if strings.ContainsFunc(pin, func(r rune) bool { return r < '0' || r > '9' }) {
		return fmt.Errorf("a PIN is digits, 0 to 9, and nothing else")
	}
	switch {
	case len(pin) < least:
		return fmt.Errorf("this PIN has %d digits and needs at least %d", len(pin), least)
	case len(pin) > mostDigits:
		return fmt.Errorf("this PIN has %d digits, and more than %d are not kept", len(pin), mostDigits)
	case repeated(pin), sequence(pin):
		return fmt.Errorf("this PIN is a repetition or a sequence, which is tried first: choose digits that follow no rule")
	case slices.Contains(commonPINs(), pin):
		return fmt.Errorf("this PIN is one of those that most people choose, which are tried first: choose another")
	}
	for _, word := range about {
		if digits := onlyDigits(word); len(digits) >= 3 && (digits == pin || digits == reversed(pin)) {
			return fmt.Errorf("this PIN is your id or badge: choose another")
		}
	}
	return nil
}

func onlyDigits(s string) string {
	return strings.Map(func(r rune) rune {
		if r < '0' || r > '9' {
			return -1
		}
		return r
	}, s)
}

// commonPINs are patterns on a keypad and pairs that most people hit on. Repetitions and sequences are found by rule.
func commonPINs() []string {
	return strings.Fields(`1212 1313 2580 0852 1470 7410 1122 1133 2211 1004 2000 1998 1999 2468 1357 6969 4711 0815 1701
		121212 112233 123321 147258 258369 159753 159357 741852 852963 963852 789456 456123 246810 135790 102030 123123
		112211 520520 131313 142536 010203 111222 101010 200000 147852 963741 15975328 14725836 25802580 12344321 11223344
		1472583690 1122334455 1234554321 314159 31415926 271828 299792`)
}

// MaySign says whether a PIN of so many digits may stand for the secret of a signature.
func (p PINPolicy) MaySign(digits int) bool {
	least := p.SignsMinimum
	if least == 0 {
		least = withAnother
	}
	return p.Signs && digits >= least
}
