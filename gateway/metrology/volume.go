package metrology

import (
	"fmt"
	"math/big"
)

// Where the volumes of piston pipettes by mass come from.
var (
	ISO8655Z  = Source{Name: "ISO 8655-6:2002 with ISO/TR 20461:2000", Clause: "Z, the volume of water that shows a mass of one unit in air"}
	TR20461   = Source{Name: "ISO/TR 20461:2000", Clause: "density of air"}
	ISO8655   = Source{Name: "ISO 8655-6:2002", Clause: "mean volume, systematic and random error"}
	ISO8655A  = Source{Name: "ISO 8655-2:2002", Clause: "maximum permissible errors of types A and D1"}
	weights80 = rat("8000") // kg/m³, of the weights that a balance is adjusted with
)

var airOf20461 = rats("0.34844", "-0.00252", "0.020582") // kg/m³·°C/hPa, kg/m³, kg/m³·°C

// AirDensityVolumetric is the density of air in kg/m³ as the standards for volumetric ware take it, from its temperature in °C, pressure
// in hPa and relative humidity in %: (0.34844·p + h·(0.020582 − 0.00252·t))/(t + 273.15).
func AirDensityVolumetric(celsius, hPa, percent *big.Rat) (*big.Rat, Source, error) {
	for _, err := range []error{between("an air temperature", celsius, "5", "40", "°C"), between("a pressure", hPa, "600", "1150", "hPa"), between("a relative humidity", percent, "0", "100", "%")} {
		if err != nil {
			return nil, TR20461, err
		}
	}
	k := airOf20461
	wet := new(big.Rat).Mul(percent, new(big.Rat).Add(k[2], new(big.Rat).Mul(k[1], celsius)))
	sum := wet.Add(wet, new(big.Rat).Mul(k[0], hPa))
	return sum.Quo(sum, new(big.Rat).Add(celsius, rat("273.15"))), TR20461, nil
}

// ZOf is the volume in mL (µL) of water for each gram (milligram) that a balance shows, from the densities of the water, of the air and of
// the weights that the balance was adjusted with, in kg/m³: 1000·(1 − ρa/ρb)/(ρw − ρa).
func ZOf(water, air, weights *big.Rat) (*big.Rat, Source, error) {
	if err := denser(air, water, weights); err != nil {
		return nil, ISO8655Z, err
	}
	z := new(big.Rat).Quo(lift(air, weights), new(big.Rat).Sub(water, air))
	return z.Mul(z, big.NewRat(1000, 1)), ISO8655Z, nil
}

// ZFactor is ZOf for weights of 8000 kg/m³ and for water and air of one temperature in °C, at a pressure in hPa and a relative humidity in
// %. The published table, 15 to 30 °C and 800 to 1050 hPa, is this at 50 %.
func ZFactor(celsius, hPa, percent *big.Rat) (*big.Rat, Source, error) {
	water, _, err := WaterDensityVolumetric(celsius)
	if err != nil {
		return nil, ISO8655Z, err
	}
	air, _, err := AirDensityVolumetric(celsius, hPa, percent)
	if err != nil {
		return nil, ISO8655Z, err
	}
	return ZOf(water, air, weights80)
}

// To20 is what a volume delivered by a device at a temperature in °C is multiplied by to be its volume at 20 °C, with the cubic expansion of
// the device per °C (about 0.00024 for polypropylene, 0.00001 for borosilicate glass; from memory): 1 − γ·(t − 20).
func To20(celsius, expansion *big.Rat) (*big.Rat, Source, error) {
	y := new(big.Rat).Sub(celsius, big.NewRat(20, 1))
	return y.Sub(one, y.Mul(y, expansion)), ISO8655Z, nil
}

// Delivered is what several deliveries of one selected volume say of a device, in µL.
type Delivered struct {
	N                 int
	Mean              *big.Rat
	Systematic        *big.Rat // mean less selected
	SystematicPercent *big.Rat // of the selected volume
	Random            *big.Rat // experimental standard deviation
	CV                *big.Rat // Random in % of the mean
	Source            Source
}

// DeliveredOf takes the volumes of deliveries, and the volume that was selected, in µL. The standard takes ten at each of 100, 50 and 10 % of
// the nominal volume (for a fixed volume at 100 % only).
func DeliveredOf(volumes []*big.Rat, selected *big.Rat) (d Delivered, err error) {
	if selected.Sign() <= 0 {
		return d, fmt.Errorf("a selected volume is greater than zero")
	}
	if d.Random, err = SD(volumes); err != nil {
		return d, err
	}
	if d.Mean, err = Mean(volumes); err != nil {
		return d, err
	}
	if d.Mean.Sign() <= 0 {
		return d, fmt.Errorf("the mean of the volumes is %s µL, and a device delivers more than nothing", Exact(d.Mean))
	}
	d.N, d.Source = len(volumes), ISO8655
	d.Systematic = new(big.Rat).Sub(d.Mean, selected)
	d.SystematicPercent = percentOf(d.Systematic, selected)
	d.CV = percentOf(d.Random, d.Mean)
	return d, nil
}

// percentOf is what part of whole is, in per cent. whole is not zero.
func percentOf(part, whole *big.Rat) *big.Rat {
	p := new(big.Rat).Quo(part, whole)
	return p.Mul(p, hundred)
}

// Evaporation is what a delivery loses to the air while it is weighed, in the unit of the masses: what the loaded balance lost over so many
// cycles without a delivery, each cycle's share.
func Evaporation(before, after *big.Rat, cycles int) (*big.Rat, Source, error) {
	if cycles < 1 {
		return nil, ISO8655, fmt.Errorf("a loss by evaporation is found over one cycle or more, and there are %d", cycles)
	}
	lost := new(big.Rat).Sub(before, after)
	return lost.Quo(lost, big.NewRat(int64(cycles), 1)), ISO8655, nil
}

// pipetteLimits holds nominal volume, systematic and random error in µL. The rows of 1 and 5 µL are from memory.
var pipetteLimits = [][]*big.Rat{
	rats("1", "0.05", "0.05"), rats("2", "0.08", "0.04"), rats("5", "0.125", "0.075"), rats("10", "0.12", "0.08"), rats("20", "0.2", "0.1"),
	rats("50", "0.5", "0.2"), rats("100", "0.8", "0.3"), rats("200", "1.6", "0.6"), rats("500", "4", "1.5"), rats("1000", "8", "3"),
	rats("2000", "16", "6"), rats("5000", "40", "15"), rats("10000", "60", "30"),
}

// MPEPipette gives the maximum permissible errors of a single-channel piston pipette of type A or D1, from its nominal volume in µL: ± the
// systematic error, and the random error, in µL. They hold in µL at every volume that can be selected. Between the volumes of the table
// those of the next greater one hold (that rule, and the rows of 1 and 5 µL, from memory; the source says so). A device with several
// channels has other limits.
func MPEPipette(nominal *big.Rat) (systematic, random *big.Rat, source Source, err error) {
	source = ISO8655A
	if nominal.Cmp(pipetteLimits[0][0]) < 0 {
		return nil, nil, source, fmt.Errorf("a nominal volume of %s µL is less than the table of %s begins with, 1 µL", Exact(nominal), source.Name)
	}
	for _, row := range pipetteLimits {
		if c := nominal.Cmp(row[0]); c <= 0 {
			source.FromMemory = c < 0 || row[0].Cmp(rat("1")) == 0 || row[0].Cmp(rat("5")) == 0
			return new(big.Rat).Set(row[1]), new(big.Rat).Set(row[2]), source, nil
		}
	}
	return nil, nil, source, fmt.Errorf("a nominal volume of %s µL is more than the table of %s ends with, 10000 µL", Exact(nominal), source.Name)
}
