package metrology

import (
	"fmt"
	"math/big"
)

// Where losses and residues come from. Their formulas follow from the words; the pharmacopoeias' chapters on them could be read in part.
var (
	LossSource   = Source{Name: "Ph. Eur. 2.2.32, USP <731>", Clause: "loss on drying: loss of mass in per cent of the mass before"}
	DrySource    = Source{Name: "ISO 11465, ASTM D2216", Clause: "water content: mass of water in per cent of the dry mass"}
	IgnitSource  = Source{Name: "Ph. Eur. 2.4.14, USP <281>", Clause: "residue on ignition, sulphated ash"}
	AshDrySource = Source{Name: "ash on a dry basis", Clause: "ash as received over 1 − moisture"}
	SameSolids   = Source{Name: "conservation of the dry mass", Clause: "m₂ = m₁·(100 − w₁)/(100 − w₂)"}
	ConstantPhEu = Source{Name: "Ph. Eur. 1.2", Clause: "to constant mass: two consecutive weighings within 0.5 mg"}
	ConstantUSP  = Source{Name: "USP General Notices 6.40.20, <731>", Clause: "to constant weight: within 0.50 mg for each gram taken"}
)

// threeMasses refuses masses of a container, with its sample, and after a treatment that takes from it, that cannot be those.
func threeMasses(container, before, after *big.Rat) error {
	switch {
	case container.Sign() < 0:
		return fmt.Errorf("a container of %s g weighs less than nothing", Exact(container))
	case before.Cmp(container) <= 0:
		return fmt.Errorf("container and sample weigh %s g, and the container alone %s g: there is no sample", Exact(before), Exact(container))
	case after.Cmp(container) < 0:
		return fmt.Errorf("afterwards container and residue weigh %s g, less than the container alone (%s g): was it another container?", Exact(after), Exact(container))
	}
	return nil
}

// LossOnDrying is the loss of mass in % of the mass before drying (water content on the wet basis): (M2 − M3)·100/(M2 − M1), with the masses
// in grams of the container (M1), with the sample before (M2) and after drying (M3). A gain comes out negative: it is a result, if rarely one
// to rely on.
func LossOnDrying(container, before, after *big.Rat) (*big.Rat, Source, error) {
	if err := threeMasses(container, before, after); err != nil {
		return nil, LossSource, err
	}
	return percentOf(new(big.Rat).Sub(before, after), new(big.Rat).Sub(before, container)), LossSource, nil
}

// WaterOnDryBasis is the mass of water in % of the dry mass, as soils have it: (M2 − M3)·100/(M3 − M1), masses in grams as in LossOnDrying.
func WaterOnDryBasis(container, before, after *big.Rat) (*big.Rat, Source, error) {
	if err := threeMasses(container, before, after); err != nil {
		return nil, DrySource, err
	}
	dry := new(big.Rat).Sub(after, container)
	if dry.Sign() == 0 {
		return nil, DrySource, fmt.Errorf("nothing dry is left: there is no water content on the dry basis")
	}
	return percentOf(new(big.Rat).Sub(before, after), dry), DrySource, nil
}

// WetToDry turns water in % of the wet mass into water in % of the dry mass: 100·w/(100 − w).
func WetToDry(percent *big.Rat) (*big.Rat, Source, error) {
	if percent.Sign() < 0 || percent.Cmp(hundred) >= 0 {
		return nil, DrySource, fmt.Errorf("%s %% of the wet mass is no water content that leaves anything dry: from 0 to less than 100 %%", Exact(percent))
	}
	return percentOf(percent, new(big.Rat).Sub(hundred, percent)), DrySource, nil
}

// DryToWet turns water in % of the dry mass into water in % of the wet mass: 100·w/(100 + w).
func DryToWet(percent *big.Rat) (*big.Rat, Source, error) {
	if percent.Sign() < 0 {
		return nil, DrySource, fmt.Errorf("%s %% is no water content: it is not negative", Exact(percent))
	}
	return percentOf(percent, new(big.Rat).Add(hundred, percent)), DrySource, nil
}

// MassAtMoisture is what a mass weighs, in its unit, once its moisture is another: both in % of the wet mass.
func MassAtMoisture(mass, from, to *big.Rat) (*big.Rat, Source, error) {
	for _, w := range []*big.Rat{from, to} {
		if w.Sign() < 0 || w.Cmp(hundred) >= 0 {
			return nil, SameSolids, fmt.Errorf("a moisture of %s %% leaves nothing dry: from 0 to less than 100 %%", Exact(w))
		}
	}
	m := new(big.Rat).Mul(mass, new(big.Rat).Sub(hundred, from))
	return m.Quo(m, new(big.Rat).Sub(hundred, to)), SameSolids, nil
}

// ConstantMass says whether two consecutive weighings, each after a drying or an ignition, are within 0.5 mg of each other. Masses in grams.
func ConstantMass(previous, last *big.Rat) (bool, Source) {
	return Within(previous, last, rat("0.0005")), ConstantPhEu
}

// ConstantMassPerGram says the same by 0.50 mg for each gram of what was taken. Masses in grams.
func ConstantMassPerGram(previous, last, taken *big.Rat) (bool, Source, error) {
	if taken.Sign() <= 0 {
		return false, ConstantUSP, fmt.Errorf("what was taken weighs more than nothing, and %s g are given", Exact(taken))
	}
	return Within(previous, last, new(big.Rat).Mul(taken, rat("0.0005"))), ConstantUSP, nil
}

// Within says whether two values are not further from each other than a tolerance.
func Within(a, b, tolerance *big.Rat) bool {
	d := new(big.Rat).Sub(a, b)
	return d.Abs(d).Cmp(tolerance) <= 0
}

// ResidueOnIgnition is what is left in % of the sample: (M3 − M1)·100/(M2 − M1), with the masses in grams of the empty crucible (M1), with
// the sample (M2) and with the residue (M3). Ash and sulphated ash are this.
func ResidueOnIgnition(crucible, before, after *big.Rat) (*big.Rat, Source, error) {
	if err := threeMasses(crucible, before, after); err != nil {
		return nil, IgnitSource, err
	}
	return percentOf(new(big.Rat).Sub(after, crucible), new(big.Rat).Sub(before, crucible)), IgnitSource, nil
}

// OnDryBasis turns a content in % of a sample as received into % of its dry matter, from its moisture in % of the wet mass.
func OnDryBasis(content, moisture *big.Rat) (*big.Rat, Source, error) {
	if moisture.Sign() < 0 || moisture.Cmp(hundred) >= 0 {
		return nil, AshDrySource, fmt.Errorf("a moisture of %s %% leaves nothing dry: from 0 to less than 100 %%", Exact(moisture))
	}
	return percentOf(content, new(big.Rat).Sub(hundred, moisture)), AshDrySource, nil
}
