package metrology

import (
	"fmt"
	"math/big"
)

// Reducing is how pharmacies reduce and enlarge a formula: the amount of each part times the amount wanted over the amount that the formula
// gives. It is plain proportion, and the same in a mix of feed or concrete.
var Reducing = Source{Name: "pharmaceutical calculations: reducing and enlarging formulas", Clause: "factor = quantity wanted / quantity the formula gives"}

// Component is one part of a recipe: how much of it, and how far the weighed amount may differ from the target in per cent of the target
// (nil: the recipe says nothing).
type Component struct {
	Name      string
	Amount    *big.Rat
	Tolerance *big.Rat
}

// ScaleFactor is by how much a recipe is multiplied: the quantity wanted over the quantity that the recipe gives, in one unit; or the
// amount of one component that was weighed over its amount in the recipe. Source: Reducing.
func ScaleFactor(wanted, given *big.Rat) (*big.Rat, error) {
	if wanted.Sign() <= 0 || given.Sign() <= 0 {
		return nil, fmt.Errorf("the quantity wanted and the quantity of the recipe have to be greater than zero")
	}
	return new(big.Rat).Quo(wanted, given), nil
}

// RecipeTotal is the sum of the parts, all in one unit. A recipe that is made up to a volume gives that volume instead: it is no sum.
func RecipeTotal(parts []Component) (*big.Rat, error) {
	if len(parts) == 0 {
		return nil, fmt.Errorf("the recipe has no component")
	}
	total := new(big.Rat)
	for _, p := range parts {
		if p.Amount.Sign() <= 0 {
			return nil, fmt.Errorf("the amount of %q has to be greater than zero", p.Name)
		}
		total.Add(total, p.Amount)
	}
	return total, nil
}

// Scaled gives the parts of a recipe times a factor of ScaleFactor. Tolerances stay as they are, since they are in per cent. Source: Reducing.
func Scaled(parts []Component, factor *big.Rat) ([]Component, error) {
	if factor.Sign() <= 0 {
		return nil, fmt.Errorf("the factor of a recipe has to be greater than zero")
	}
	if _, err := RecipeTotal(parts); err != nil {
		return nil, err
	}
	scaled := make([]Component, len(parts))
	for i, p := range parts {
		scaled[i] = Component{Name: p.Name, Amount: new(big.Rat).Mul(p.Amount, factor), Tolerance: p.Tolerance}
	}
	return scaled, nil
}

// ScaledTo scales a recipe so that its sum is a total, in the unit of the amounts. Source: Reducing.
func ScaledTo(parts []Component, total *big.Rat) ([]Component, error) {
	sum, err := RecipeTotal(parts)
	if err != nil {
		return nil, err
	}
	factor, err := ScaleFactor(total, sum)
	if err != nil {
		return nil, err
	}
	return Scaled(parts, factor)
}

// ScaledBy scales a recipe to the amount of one component as it was weighed, so that the others keep their proportion to it: what is done
// where that component cannot be put back. Source: Reducing.
func ScaledBy(parts []Component, name string, weighed *big.Rat) ([]Component, error) {
	for _, p := range parts {
		if p.Name != name {
			continue
		}
		factor, err := ScaleFactor(weighed, p.Amount)
		if err != nil {
			return nil, err
		}
		return Scaled(parts, factor)
	}
	return nil, fmt.Errorf("the recipe has no component %.40q", name)
}

// WithinTolerance says whether a weighed amount is within its tolerance, in per cent of the target, and gives the deviation in per cent with
// its sign. The comparison is exact.
func WithinTolerance(target, weighed, tolerance *big.Rat) (percent *big.Rat, ok bool, err error) {
	if target.Sign() <= 0 || tolerance.Sign() < 0 || weighed.Sign() < 0 {
		return nil, false, fmt.Errorf("a target is greater than zero, and an amount and a tolerance are not negative")
	}
	if percent, err = DeviationPercent(weighed, target); err != nil {
		return nil, false, err
	}
	return percent, new(big.Rat).Abs(percent).Cmp(tolerance) <= 0, nil
}

// Shares gives what each part is of the whole, in per cent: of a recipe, or of what was really weighed in.
func Shares(parts []Component) ([]*big.Rat, error) {
	total, err := RecipeTotal(parts)
	if err != nil {
		return nil, err
	}
	shares := make([]*big.Rat, len(parts))
	for i, p := range parts {
		s := new(big.Rat).Quo(p.Amount, total)
		shares[i] = s.Mul(s, hundred)
	}
	return shares, nil
}
