package metrology

import (
	"fmt"
	"math/big"
)

// ISO536 is mass per area of paper and board; the same quotient is taken of fabric.
var ISO536 = Source{Name: "ISO 536:2019, paper and board: determination of grammage", Clause: "9: mass of the test pieces over their area", FromMemory: true}

// Area is the area of a rectangle in m² from its sides in mm, times a number of pieces that are weighed together.
func Area(length, width, pieces *big.Rat) (*big.Rat, error) {
	if length.Sign() <= 0 || width.Sign() <= 0 {
		return nil, fmt.Errorf("the sides of a test piece have to be greater than zero")
	}
	if !pieces.IsInt() || pieces.Sign() <= 0 {
		return nil, fmt.Errorf("%s is no number of test pieces", Exact(pieces))
	}
	area := new(big.Rat).Mul(length, width)
	area.Mul(area, pieces)
	return area.Quo(area, rat("1000000")), nil
}

// Grammage is mass per area in g/m², from a mass in grams and an area in m². Source: ISO536.
func Grammage(mass, area *big.Rat) (*big.Rat, error) {
	if mass.Sign() <= 0 || area.Sign() <= 0 {
		return nil, fmt.Errorf("the mass and the area of a test piece have to be greater than zero")
	}
	return new(big.Rat).Quo(mass, area), nil
}

// MeanGrammage is the mean grammage of pieces of one area, in g/m², and its standard deviation, from their masses in grams. Paper asks for
// ten pieces at least (ISO 536, from memory); here two are enough. Source: ISO536.
func MeanGrammage(masses []*big.Rat, area *big.Rat) (mean, sd *big.Rat, err error) {
	var each []*big.Rat
	for _, m := range masses {
		g, err := Grammage(m, area)
		if err != nil {
			return nil, nil, err
		}
		each = append(each, g)
	}
	if sd, err = SD(each); err != nil {
		return nil, nil, err
	}
	mean, err = Mean(each)
	return mean, sd, err
}
