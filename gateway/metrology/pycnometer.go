package metrology

import (
	"fmt"
	"math/big"
)

// Where the density by pycnometer comes from.
var (
	Pycnometer = Source{Name: "balance of forces in a pycnometer", Clause: "ISO 2811-1 for liquids, ISO 1183-1 method B for solids", FromMemory: true}
	D854       = Source{Name: "ASTM D854", Clause: "specific gravity of soil solids by water pycnometer", FromMemory: true}
)

// perCubic turns g/cm³ into kg/m³.
var perCubic = big.NewRat(1000, 1)

// PycnometerVolume is the volume of a pycnometer in cm³, from its mass empty and filled with water, in grams, the density of that water,
// of the air and of the weights that the balance was adjusted with, in kg/m³:
//
//	V = (full − empty)·(1 − ρair/ρweights)/(ρwater − ρair)
//
// A density of air of zero leaves the air out. A density of the weights of zero leaves out what the air lifts of them (150·10⁻⁶), as many
// working instructions do; it cancels where the same balance weighs the sample. Source: Pycnometer.
func PycnometerVolume(empty, full, water, air, weights *big.Rat) (*big.Rat, error) {
	net, err := fill(empty, full, air, weights)
	if err != nil {
		return nil, err
	}
	if err := denser(air, water); err != nil {
		return nil, err
	}
	net.Quo(net, new(big.Rat).Sub(water, air))
	return net.Mul(net, perCubic), nil
}

// PycnometerLiquid is the density of a liquid in kg/m³, from the mass of a pycnometer empty and filled with it, in grams, its volume in cm³
// at the temperature of the liquid, and the density of the air and of the weights in kg/m³ (zero: as in PycnometerVolume):
//
//	ρ = (full − empty)·(1 − ρair/ρweights)/V + ρair
//
// Source: Pycnometer.
func PycnometerLiquid(empty, full, volume, air, weights *big.Rat) (*big.Rat, error) {
	net, err := fill(empty, full, air, weights)
	if err != nil {
		return nil, err
	}
	if volume.Sign() <= 0 {
		return nil, fmt.Errorf("the volume of the pycnometer has to be greater than zero: it is found with water first")
	}
	net.Quo(net, volume)
	net.Mul(net, perCubic)
	return net.Add(net, air), nil
}

// fill is the mass in a pycnometer, corrected for what the air lifts of the weights of the balance.
func fill(empty, full, air, weights *big.Rat) (*big.Rat, error) {
	if empty.Sign() < 0 || full.Cmp(empty) <= 0 {
		return nil, fmt.Errorf("the full pycnometer (%s g) is not heavier than the empty one (%s g): are the two mixed up?", Exact(full), Exact(empty))
	}
	if err := denser(air); err != nil {
		return nil, err
	}
	net := new(big.Rat).Sub(full, empty)
	if weights.Sign() == 0 {
		return net, nil
	}
	if err := denser(air, weights); err != nil {
		return nil, err
	}
	return net.Mul(net, lift(air, weights)), nil
}

// PycnometerSolid is the density of a solid in kg/m³ from four weighings of one pycnometer, in grams: empty, with the solid, with the solid
// and filled up with a liquid, and filled with that liquid alone; and the densities of the liquid and of the air in kg/m³:
//
//	ρ = solid/((liquid − empty) − (both − solid))·(ρliquid − ρair) + ρair
//
// With air of zero it is the formula of ISO 1183-1, method B, ρ = mS·ρIL/(m1 − m2). All fillings are at one temperature, and no bubble is left
// at the solid. Source: Pycnometer.
func PycnometerSolid(empty, withSolid, withBoth, withLiquid, liquid, air *big.Rat) (*big.Rat, error) {
	if empty.Sign() < 0 || withSolid.Cmp(empty) <= 0 || withLiquid.Cmp(empty) <= 0 {
		return nil, fmt.Errorf("the pycnometer with the solid (%s g) and with the liquid (%s g) are both heavier than empty (%s g): are weighings mixed up?",
			Exact(withSolid), Exact(withLiquid), Exact(empty))
	}
	if err := denser(air, liquid); err != nil {
		return nil, err
	}
	solid := new(big.Rat).Sub(withSolid, empty)
	displaced, err := displacedBy(solid, new(big.Rat).Sub(withLiquid, empty), new(big.Rat).Sub(withBoth, empty))
	if err != nil {
		return nil, err
	}
	density := solid.Quo(solid, displaced)
	density.Mul(density, new(big.Rat).Sub(liquid, air))
	return density.Add(density, air), nil
}

// displacedBy is the mass of liquid that a solid takes the place of, all three without the vessel.
func displacedBy(solid, liquid, both *big.Rat) (*big.Rat, error) {
	left := new(big.Rat).Sub(both, solid)
	displaced := new(big.Rat).Sub(liquid, left)
	if left.Sign() < 0 || displaced.Sign() <= 0 {
		return nil, fmt.Errorf("solid and liquid together (%s g) do not fit the solid (%s g) and the full pycnometer (%s g): are weighings mixed up?",
			Exact(both), Exact(solid), Exact(liquid))
	}
	return displaced, nil
}

// SoilGravity is the specific gravity of soil solids at the temperature of the test: the mass of the oven-dry soil over that of the water
// that it takes the place of. Masses in grams: the dry soil; the pycnometer full of water at that temperature; the pycnometer with the soil
// and full of water. Source: D854.
func SoilGravity(dry, withWater, withBoth *big.Rat) (*big.Rat, error) {
	if dry.Sign() <= 0 {
		return nil, fmt.Errorf("the mass of the dry soil has to be greater than zero")
	}
	displaced, err := displacedBy(dry, withWater, withBoth)
	if err != nil {
		return nil, err
	}
	return displaced.Quo(dry, displaced), nil
}

// SoilFactor is the temperature coefficient K that turns a specific gravity at the temperature of the test into one at 20 °C, G20 = K·Gt: the
// density of water at that temperature over that at 20 °C, in one unit. Source: D854, whose table it gives to one unit of the last place.
func SoilFactor(atTest, at20 *big.Rat) (*big.Rat, error) {
	if atTest.Sign() <= 0 || at20.Sign() <= 0 {
		return nil, fmt.Errorf("the density of water has to be greater than zero")
	}
	return new(big.Rat).Quo(atTest, at20), nil
}
