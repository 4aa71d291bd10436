package metrology

import (
	"fmt"
	"math"
)

// The formulas for the density of air. They are fits to measurements, so float64 is enough: its error is far below their own.
var (
	CIPM2007 = Source{Name: "Picard, Davis, Gläser, Fujii: Revised formula for the density of moist air (CIPM-2007), Metrologia 45 (2008) 149–155"}
	R111Air  = Source{Name: "OIML R 111-1:2004", Clause: "E.3-1"}
)

// Air is the air at a balance.
type Air struct {
	Celsius  float64 // temperature, °C
	Pascal   float64 // pressure, Pa
	Humidity float64 // relative, 0 to 1
	CO2      float64 // mole fraction; 0: 0.0004, as the formula's authors take it
}

// valid refuses what lies outside the range that the CIPM formula was made for (600 to 1100 hPa, 15 to 27 °C, from memory) by so much
// that a number would be a guess.
func (a Air) valid() error {
	switch {
	case !(a.Celsius >= 5 && a.Celsius <= 40):
		return fmt.Errorf("a temperature of %g °C is no laboratory's: 5 to 40 °C are taken", a.Celsius)
	case !(a.Pascal >= 60_000 && a.Pascal <= 115_000):
		return fmt.Errorf("a pressure of %g Pa is no laboratory's: 60000 to 115000 Pa (600 to 1150 hPa) are taken", a.Pascal)
	case !(a.Humidity >= 0 && a.Humidity <= 1):
		return fmt.Errorf("a relative humidity of %g is none: 0 to 1 are taken", a.Humidity)
	}
	return nil
}

// MoistAir holds what the full formula goes through.
type MoistAir struct {
	SaturationPressure float64 // of water vapour, Pa
	Enhancement        float64
	WaterFraction      float64 // mole fraction of water vapour
	Compressibility    float64
	Density            float64 // kg/m³
}

// CIPM gives the density of moist air by the full CIPM-2007 equation. R is 8.314472 J/(mol·K), as the formula has it.
func (a Air) CIPM() (m MoistAir, err error) {
	if err := a.valid(); err != nil {
		return m, err
	}
	t, p, kelvin := a.Celsius, a.Pascal, a.Celsius+273.15
	m.SaturationPressure = math.Exp(1.2378847e-5*kelvin*kelvin - 1.9121316e-2*kelvin + 33.93711047 - 6.3431645e3/kelvin)
	m.Enhancement = 1.00062 + 3.14e-8*p + 5.6e-7*t*t
	m.WaterFraction = a.Humidity * m.Enhancement * m.SaturationPressure / p
	x := m.WaterFraction
	m.Compressibility = 1 - p/kelvin*(1.58123e-6-2.9331e-8*t+1.1043e-10*t*t+(5.707e-6-2.051e-8*t)*x+(1.9898e-4-2.376e-6*t)*x*x) +
		p*p/(kelvin*kelvin)*(1.83e-11-0.765e-8*x*x)
	dry := 28.96546e-3
	if a.CO2 != 0 {
		dry += 12.011e-3 * (a.CO2 - 0.0004)
	}
	const gas, water = 8.314472, 18.01528e-3
	m.Density = p * dry / (m.Compressibility * gas * kelvin) * (1 - x*(1-water/dry))
	return m, nil
}

// Simplified gives the density of air in kg/m³ by the approximation of OIML R 111-1, E.3-1. It is good to 2·10⁻⁴ between 900 and
// 1100 hPa, 10 and 30 °C and below 80 % (from memory).
func (a Air) Simplified() (float64, error) {
	if err := a.valid(); err != nil {
		return 0, err
	}
	hPa, percent := a.Pascal/100, a.Humidity*100
	return (0.34848*hPa - 0.009*percent*math.Exp(0.061*a.Celsius)) / (273.15 + a.Celsius), nil
}
