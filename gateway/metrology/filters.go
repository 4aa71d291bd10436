package metrology

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
)

// Where the arithmetic of dust on filters comes from.
var (
	NIOSH0501 = Source{Name: "NIOSH Manual of Analytical Methods, 0501 issue 1:2015 (as 0500 and 0600)", Clause: "calculations: C = ((W2 − W1) − (B2 − B1))/V"}
	CFR1065   = Source{Name: "40 CFR 1065.690", Clause: "buoyancy correction for PM sample media", FromMemory: true}
	CFR50L    = Source{Name: "40 CFR 50, appendix L, and EPA Quality Assurance Guidance 2.12", Clause: "blanks", FromMemory: true}
	EN12341   = Source{Name: "EN 12341:2014", Clause: "weighing room and blanks", FromMemory: true}
)

// DustConcentration is the mass of dust in a volume of air, in mg/m³, from a filter before and after sampling and the mean of the blank
// filters before and after, in grams, and the volume of air in m³:
//
//	C = ((after − before) − (blankAfter − blankBefore))/V
//
// Without blanks both of them are zero. It may come out below zero: then nothing was found beyond the blanks, and no more than that is said.
// Source: NIOSH0501.
func DustConcentration(before, after, blankBefore, blankAfter, volume *big.Rat) (*big.Rat, error) {
	if before.Sign() <= 0 || after.Sign() <= 0 {
		return nil, fmt.Errorf("a filter has a mass greater than zero")
	}
	if volume.Sign() <= 0 {
		return nil, fmt.Errorf("the volume of air has to be greater than zero")
	}
	c := new(big.Rat).Sub(after, before)
	c.Sub(c, new(big.Rat).Sub(blankAfter, blankBefore))
	c.Mul(c, perCubic) // g to mg
	return c.Quo(c, volume), nil
}

// FilterMass is the mass of a filter, in the unit of the reading, corrected for the air: densities of the air, of the weights that the
// balance was adjusted with and of the filter in kg/m³. Sources: AirBalance, and CFR1065 that has it for filters.
func FilterMass(reading, air, weights, filter *big.Rat) (*big.Rat, error) {
	return TrueMass(reading, air, weights, filter)
}

// FilterGain is what a filter gained between two weighings in air of different density, in the unit of the readings: the difference of the
// two masses, each corrected for its own air. Densities in kg/m³. The dust is taken to be as dense as the filter, which is nothing beside the
// filter itself. Source: CFR1065.
func FilterGain(before, airBefore, after, airAfter, weights, filter *big.Rat) (*big.Rat, error) {
	first, err := FilterMass(before, airBefore, weights, filter)
	if err != nil {
		return nil, fmt.Errorf("the weighing before sampling: %w", err)
	}
	second, err := FilterMass(after, airAfter, weights, filter)
	if err != nil {
		return nil, fmt.Errorf("the weighing after sampling: %w", err)
	}
	return second.Sub(second, first), nil
}

// BlankRule says how far a blank filter may change between two weighings, in grams, without its sign.
type BlankRule struct {
	Name   string
	Limit  *big.Rat
	Source Source
}

// blankRules are the rules that are known. All of them are from memory.
var blankRules = []BlankRule{
	{"laboratory blank, PM2.5", rat("0.000015"), CFR50L},
	{"field blank, PM2.5", rat("0.000030"), CFR50L},
	{"blank filter in the weighing room, EN 12341", rat("0.000040"), EN12341},
	{"field blank, EN 12341", rat("0.000060"), EN12341},
}

// BlankRules lists the rules for blanks that are known by name. A lab may have its own, and a stricter one counts.
func BlankRules() []BlankRule {
	rules := slices.Clone(blankRules)
	for i := range rules {
		rules[i].Limit = new(big.Rat).Set(rules[i].Limit)
	}
	return rules
}

// BlankPasses says whether the change of a blank, in grams, is within a rule of BlankRules.
func BlankPasses(rule string, change *big.Rat) (bool, BlankRule, error) {
	var names []string
	for _, r := range BlankRules() {
		if r.Name == rule {
			return new(big.Rat).Abs(change).Cmp(r.Limit) <= 0, r, nil
		}
		names = append(names, r.Name)
	}
	return false, BlankRule{}, fmt.Errorf("%.40q is no rule for blanks: one of %s", rule, strings.Join(names, "; "))
}
