package intake

import (
	"fmt"
	"math/big"

	"weighpost/gateway/record"
	"weighpost/parsers/decimal"
	"weighpost/parsers/layout"
	"weighpost/parsers/unit"
)

// What becomes of a weight that the balance cannot have meant.
const (
	implausibleRefused = "refuse" // the default
	implausibleKept    = "keep"
)

// rulePlausible is the rule of a verdict on a weight that is kept although the balance cannot have meant it.
const rulePlausible = "plausible"

// beyondE is how many verification intervals above the capacity a verified balance may still indicate (OIML R 76-1:2006,
// "no indication above Max + 9 e"; from memory). One without e is granted a twentieth of its capacity: common practice has
// less, and no source was found.
const (
	beyondE     = 9
	beyondShare = 20
)

// plausible knows what a balance can print by what it is. It finds damage that left a well-formed number behind: on a line
// with neither parity nor check one flipped bit in six did, in a model of the line.
type plausible struct {
	keep     bool
	d        Quantity
	capacity Quantity
	most     *big.Rat // the largest weight that can be meant, in the unit of the capacity; nil: not known
}

func newPlausible(c *Config) plausible {
	p := plausible{keep: c.Implausible == implausibleKept, d: c.Readability, capacity: c.Capacity}
	if c.Capacity.IsZero() {
		return p
	}
	beyond := new(big.Rat).Quo(c.Capacity.Number.Rat(), big.NewRat(beyondShare, 1))
	if e := c.VerificationInterval; !e.IsZero() {
		beyond = new(big.Rat).Mul(unit.Convert(e.Number, e.Unit, c.Capacity.Unit), big.NewRat(beyondE, 1))
	}
	p.most = beyond.Add(beyond, c.Capacity.Number.Rat())
	return p
}

// Implausible says why a balance, as it is in a record, cannot have meant a reading, or "". It judges masses alone, by what is known of the
// balance.
func Implausible(b *record.Balance, r *layout.Reading) string {
	known := func(text string) Quantity {
		q, _ := ParseQuantity(text) // an older record may write it otherwise, and says nothing then
		return q
	}
	p := newPlausible(&Config{Readability: known(b.Readability), Capacity: known(b.Capacity), VerificationInterval: known(b.VerificationInterval)})
	return p.doubt(r)
}

// doubt says why the balance cannot have meant a reading, or "". It judges masses alone.
func (p *plausible) doubt(r *layout.Reading) string {
	if !isMass(r) {
		return ""
	}
	if p.most != nil && !p.within(r) {
		return fmt.Sprintf("%s %s is beyond the capacity of the balance, %s", r.Digits(), r.PrintedUnit(), p.capacity)
	}
	if !p.d.IsZero() && !p.whole(r) {
		return fmt.Sprintf("%s %s is no multiple of the readability of the balance, %s", r.Digits(), r.PrintedUnit(), p.d)
	}
	return ""
}

func (p *plausible) within(r *layout.Reading) bool {
	// The plain case takes no fractions: a weight up to the capacity, in its unit.
	if r.Unit == p.capacity.Unit && r.Number.Abs().Cmp(p.capacity.Number) <= 0 {
		return true
	}
	weight := unit.Convert(r.Number, r.Unit, p.capacity.Unit)
	return weight.Abs(weight).Cmp(p.most) <= 0
}

// whole says whether the reading is a multiple of d. In a unit that is no decimal multiple of the one of d (carat, ounce) a
// balance has steps of its own, which nobody knows.
func (p *plausible) whole(r *layout.Reading) bool {
	if r.Unit == p.d.Unit {
		if whole, known := multiple(r.Number, p.d.Number); known {
			return whole
		}
	} else if !powerOfTen(r.Unit, p.d.Unit) {
		return true
	}
	weight := unit.Convert(r.Number, r.Unit, p.d.Unit)
	return weight.Quo(weight, p.d.Number.Rat()).IsInt()
}

// multiple says whether n is a whole multiple of d; known is false where that takes more than 64 bits.
func multiple(n, d decimal.Decimal) (whole, known bool) {
	a, b := n.Coefficient(), d.Coefficient()
	for range n.Scale() - d.Scale() {
		if b > maxTenth {
			return false, false
		}
		b *= 10
	}
	for range d.Scale() - n.Scale() {
		if a > maxTenth || a < -maxTenth {
			return false, false
		}
		a *= 10
	}
	return a%b == 0, true
}

const maxTenth = (1<<63 - 1) / 10

// powerOfTen says whether one unit is a decimal multiple of another.
func powerOfTen(a, b unit.Unit) bool {
	ratio := new(big.Rat).Quo(a.Grams(), b.Grams())
	ten := big.NewInt(10)
	shrink := func(n *big.Int) bool {
		for rest := new(big.Int); n.Cmp(big.NewInt(1)) > 0; {
			if n.QuoRem(n, ten, rest); rest.Sign() != 0 {
				return false
			}
		}
		return true
	}
	return shrink(new(big.Int).Set(ratio.Num())) && shrink(new(big.Int).Set(ratio.Denom()))
}

// judge adds the verdict of a weight that the configuration has kept although it is not plausible.
func (p *plausible) judge(w *record.Weighing, r *layout.Reading) {
	if !p.keep {
		return
	}
	if why := p.doubt(r); why != "" {
		w.Verdicts = append(w.Verdicts, record.Verdict{Rule: rulePlausible, Why: why})
	}
}
