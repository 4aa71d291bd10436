package metrology

import (
	"fmt"
	"math/big"
)

// The formulas for the density of water. All are fits to measurements with whole powers of the temperature, so they are worked out as
// fractions; what they are worth is said at each.
var (
	Tanaka2001 = Source{Name: "Tanaka, Girard, Davis, Peuto, Bignell: Recommended table for the density of water between 0 °C and 40 °C, Metrologia 38 (2001) 301–309", Clause: "formula of the recommended table"}
	// TanakaAir and TanakaPressure are corrections that the same paper gives beside its table.
	TanakaAir      = Source{Name: Tanaka2001.Name, Clause: "dissolved air"}
	TanakaPressure = Source{Name: Tanaka2001.Name, Clause: "compressibility", FromMemory: true}
	JonesHarris    = Source{Name: "Jones, Harris: ITS-90 density of water formulation for volumetric standards calibration, J. Res. NIST 97 (1992) 335–340", Clause: "air-free; the water of ISO/TR 20461"}
	JonesHarrisAir = Source{Name: JonesHarris.Name, Clause: "saturated with air"}
)

// between refuses a quantity outside the range that a formula was made for.
func between(what string, x *big.Rat, low, high, unit string) error {
	if x.Cmp(rat(low)) < 0 || x.Cmp(rat(high)) > 0 {
		return fmt.Errorf("%s of %s %s is outside what the formula was made for: %s to %s %s", what, Exact(x), unit, low, high, unit)
	}
	return nil
}

// polynomial is c[0] + c[1]·x + c[2]·x² + …
func polynomial(x *big.Rat, c []*big.Rat) *big.Rat {
	sum := new(big.Rat)
	for i := len(c) - 1; i >= 0; i-- {
		sum.Add(sum.Mul(sum, x), c[i])
	}
	return sum
}

func rats(s ...string) (c []*big.Rat) {
	for _, x := range s {
		c = append(c, rat(x))
	}
	return c
}

var (
	tanaka      = rats("-3.983035", "301.797", "522528.9", "69.34881", "999.974950") // a1 to a5: °C, °C, °C², °C, kg/m³
	tanakaAir   = rats("-0.004612", "0.000106")
	squeeze     = rats("50.74e-11", "-0.326e-11", "0.00416e-11") // per pascal, by the powers of °C
	jonesHarris = rats("999.85308", "6.32693e-2", "-8.523829e-3", "6.943248e-5", "-3.821216e-7")
	jonesAir    = rats("999.84847", "6.337563e-2", "-8.523829e-3", "6.943248e-5", "-3.821216e-7")
)

// WaterDensity is the density of pure water without air at 101325 Pa, in kg/m³, at 0 to 40 °C: the recommended formula, good to 0.001
// kg/m³ for water of the isotopes of the oceans. Tap water made pure lies a few thousandths of a kg/m³ below (from memory).
func WaterDensity(celsius *big.Rat) (*big.Rat, Source, error) {
	if err := between("a water temperature", celsius, "0", "40", "°C"); err != nil {
		return nil, Tanaka2001, err
	}
	a := tanaka
	square := new(big.Rat).Add(celsius, a[0])
	square.Mul(square, square)
	part := square.Mul(square, new(big.Rat).Add(celsius, a[1]))
	part.Quo(part, new(big.Rat).Mul(a[2], new(big.Rat).Add(celsius, a[3])))
	return part.Mul(part.Sub(one, part), a[4]), Tanaka2001, nil
}

// WaterDensityWithAir is WaterDensity for water that is saturated with air, in kg/m³, at 0 to 25 °C: the correction of the same paper,
// −0.004612 + 0.000106·t kg/m³, holds no further up.
func WaterDensityWithAir(celsius *big.Rat) (*big.Rat, Source, error) {
	if err := between("a water temperature", celsius, "0", "25", "°C"); err != nil {
		return nil, TanakaAir, err
	}
	d, _, err := WaterDensity(celsius)
	if err != nil {
		return nil, TanakaAir, err
	}
	return d.Add(d, polynomial(celsius, tanakaAir)), TanakaAir, nil
}

// WaterDensityUnder is WaterDensity under a pressure in hPa instead of 1013.25, in kg/m³: a hundred hPa make 0.005 kg/m³.
func WaterDensityUnder(celsius, hPa *big.Rat) (*big.Rat, Source, error) {
	if err := between("a pressure", hPa, "500", "1500", "hPa"); err != nil {
		return nil, TanakaPressure, err
	}
	d, _, err := WaterDensity(celsius)
	if err != nil {
		return nil, TanakaPressure, err
	}
	pascal := new(big.Rat).Mul(hundred, new(big.Rat).Sub(hPa, rat("1013.25")))
	factor := pascal.Add(one, pascal.Mul(pascal, polynomial(celsius, squeeze)))
	return d.Mul(d, factor), TanakaPressure, nil
}

// WaterDensityVolumetric is the density of water without air at 101325 Pa in kg/m³, at 5 to 40 °C, by the polynomial that the standards
// for volumetric ware take (ISO/TR 20461; ISO 8655-6 rests on it). It is within 0.005 kg/m³ of WaterDensity.
func WaterDensityVolumetric(celsius *big.Rat) (*big.Rat, Source, error) {
	if err := between("a water temperature", celsius, "5", "40", "°C"); err != nil {
		return nil, JonesHarris, err
	}
	return polynomial(celsius, jonesHarris), JonesHarris, nil
}

// WaterDensityVolumetricWithAir is WaterDensityVolumetric for water that is saturated with air, in kg/m³, at 5 to 40 °C.
func WaterDensityVolumetricWithAir(celsius *big.Rat) (*big.Rat, Source, error) {
	if err := between("a water temperature", celsius, "5", "40", "°C"); err != nil {
		return nil, JonesHarrisAir, err
	}
	return polynomial(celsius, jonesAir), JonesHarrisAir, nil
}
