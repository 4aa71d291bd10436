package metrology

import (
	"fmt"
	"math/big"
)

// Hydrostatic is the balance of forces on a body that is weighed in air and in a liquid. ISO 1183-1, method A, has it without the air.
var Hydrostatic = Source{Name: "balance of forces in air and in a liquid", Clause: "ρ = m_a/(m_a − m_l)·(ρ_l − ρ_a) + ρ_a; ISO 1183-1, method A, without the air"}

// displaced is what a body shows less in a liquid than in air, in grams.
func displaced(inAir, inLiquid, liquid, air *big.Rat) (*big.Rat, error) {
	if inAir.Sign() <= 0 {
		return nil, fmt.Errorf("a body that shows %s g in air is none", Exact(inAir))
	}
	less := new(big.Rat).Sub(inAir, inLiquid)
	if less.Sign() <= 0 {
		return nil, fmt.Errorf("the body shows %s g in the liquid and %s g in air: a liquid carries, so it shows less there", Exact(inLiquid), Exact(inAir))
	}
	return less, denser(air, liquid)
}

// SolidDensity is the density of a solid in kg/m³, from what a balance shows of it in air and in a liquid, in grams, and from the densities of
// the liquid and of the air in kg/m³. What it shows in the liquid is negative for a body that floats and is held under. The weights that the
// balance was adjusted with cancel out.
func SolidDensity(inAir, inLiquid, liquid, air *big.Rat) (*big.Rat, Source, error) {
	less, err := displaced(inAir, inLiquid, liquid, air)
	if err != nil {
		return nil, Hydrostatic, err
	}
	d := new(big.Rat).Quo(inAir, less)
	d.Mul(d, new(big.Rat).Sub(liquid, air))
	return d.Add(d, air), Hydrostatic, nil
}

// SolidDensityWithSinker is SolidDensity for a body that floats, from what it shows in air, what the sinker alone shows in the liquid, and
// what both show there, in grams.
func SolidDensityWithSinker(inAir, sinkerInLiquid, bothInLiquid, liquid, air *big.Rat) (*big.Rat, Source, error) {
	return SolidDensity(inAir, new(big.Rat).Sub(bothInLiquid, sinkerInLiquid), liquid, air)
}

// SolidVolume is the volume of a solid in cm³, from the same as SolidDensity, for a balance that was adjusted with weights of 8000 kg/m³.
func SolidVolume(inAir, inLiquid, liquid, air *big.Rat) (*big.Rat, Source, error) {
	less, err := displaced(inAir, inLiquid, liquid, air)
	if err != nil {
		return nil, Hydrostatic, err
	}
	v := less.Mul(less, lift(air, weights80))
	v.Quo(v, new(big.Rat).Sub(liquid, air))
	return v.Mul(v, big.NewRat(1000, 1)), Hydrostatic, nil
}

// LiquidDensity is the density of a liquid in kg/m³, from what a balance shows of a sinker in air and in the liquid, in grams, and from the
// densities of the sinker and of the air in kg/m³.
func LiquidDensity(inAir, inLiquid, sinker, air *big.Rat) (*big.Rat, Source, error) {
	less, err := displaced(inAir, inLiquid, sinker, air)
	if err != nil {
		return nil, Hydrostatic, err
	}
	d := new(big.Rat).Quo(less, inAir)
	d.Mul(d, new(big.Rat).Sub(sinker, air))
	return d.Add(d, air), Hydrostatic, nil
}

// LiquidDensityByVolume is LiquidDensity for a sinker whose volume in cm³ is known, and a balance that was adjusted with weights of 8000 kg/m³.
func LiquidDensityByVolume(inAir, inLiquid, volume, air *big.Rat) (*big.Rat, Source, error) {
	if volume.Sign() <= 0 {
		return nil, Hydrostatic, fmt.Errorf("a sinker has a volume above zero, and %s cm³ is given", Exact(volume))
	}
	less, err := displaced(inAir, inLiquid, weights80, air)
	if err != nil {
		return nil, Hydrostatic, err
	}
	d := less.Mul(less, lift(air, weights80))
	d.Quo(d, volume)
	d.Mul(d, big.NewRat(1000, 1))
	return d.Add(d, air), Hydrostatic, nil
}
