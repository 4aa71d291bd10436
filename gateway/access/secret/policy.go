package secret

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"weighpost/parsers/strict"
)

// Bounds of a password. The upper ones are far above the 64 characters that must be allowed (NIST 3.1.1.2), and are there so
// that a request of megabytes costs nothing; what is longer is refused and never cut.
const (
	MostCharacters = 256
	MostBytes      = 1024
	alone          = 15 // NIST 3.1.1.2: least length where the password is the only factor
	withAnother    = 8  // NIST 3.1.1.2: least length where there is a second factor
)

// PasswordConfig is the policy for passwords, as a lab writes it.
type PasswordConfig struct {
	Minimum int             `yaml:"minimum" desc:"Least number of characters of a password: 15 or more (NIST SP 800-63B-4, 3.1.1.2)." default:"15"`
	Expires strict.Duration `yaml:"expires" desc:"A password must be changed after this time, such as 8760h (a year). Left out: never, as NIST advises; 21 CFR 11.300(b) is then served by the review of accounts."`
	Reuse   int             `yaml:"reuse" desc:"So many former passwords of a person cannot be chosen again: 0 to 24." default:"0"`
}

// Check adds every fault that it sees to r.
func (c *PasswordConfig) Check(r *strict.Report) {
	if c.Minimum != 0 && (c.Minimum < alone || c.Minimum > 64) {
		r.At("minimum").Fault(fmt.Sprintf("%d characters", c.Minimum), "15 to 64")
	}
	if c.Reuse < 0 || c.Reuse > MostFormer {
		r.At("reuse").Fault(fmt.Sprintf("%d former passwords", c.Reuse), "0 to 24")
	}
}

// Policy gives the policy that the configuration means.
func (c PasswordConfig) Policy(site string) Policy {
	return Policy{Minimum: max(c.Minimum, alone), Site: site}
}

// Policy says which passwords may be chosen (NIST 3.1.1.2). There are no rules of composition.
type Policy struct {
	Minimum int    // code points; 0: 15, the least where a password is the only factor
	Site    string // the lab's own name: nobody's password
}

// Check says with a sentence why a password may not be chosen, or nil. About is what is known of the person: id, name, login.
// The same secret is good or bad for everybody but for that. The sentence never repeats the secret.
func (p Policy) Check(secret string, about ...string) error {
	if len(secret) > MostBytes {
		return fmt.Errorf("this password is longer than %d bytes: choose a shorter one", MostBytes)
	}
	if !utf8.ValidString(secret) || strings.ContainsFunc(secret, unicode.IsControl) {
		return fmt.Errorf("this password holds something that is no character (a control character, or damaged text): type it again")
	}
	n, least := utf8.RuneCountInString(prepare(secret)), p.Minimum
	if least == 0 {
		least = alone
	}
	switch {
	case n < least:
		return fmt.Errorf("this password has %d characters and needs at least %d: several words that mean something to you alone are easy to keep", n, least)
	case n > MostCharacters:
		return fmt.Errorf("this password has %d characters, and more than %d are not kept: choose a shorter one", n, MostCharacters)
	}
	return p.blocked(prepare(secret), about)
}

// prepare gives the form of a secret that is hashed: NFC, so that the same keys give the same secret on every keyboard and
// system (NIST 3.1.1.2; UAX #15). Nothing is cut off and nothing else is changed.
func prepare(secret string) string { return norm.NFC.String(secret) }
