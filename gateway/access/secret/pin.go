package secret

import (
	"fmt"

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
	return PINPolicy{Minimum: c.Minimum, Signs: c.Signs, SignsMinimum: c.SignsMinimum}
}

// Check says with a sentence why a PIN may not be chosen, or nil. The sentence never repeats the PIN.
func (p PINPolicy) Check(pin string, about ...string) error { return fmt.Errorf("not built yet") }

// MaySign says whether a PIN of so many digits may stand for the secret of a signature.
func (p PINPolicy) MaySign(digits int) bool {
	least := p.SignsMinimum
	if least == 0 {
		least = withAnother
	}
	return p.Signs && digits >= least
}
