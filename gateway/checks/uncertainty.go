package checks

import (
	"fmt"
	"math/big"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// notInBudget is what the uncertainty of an error leaves out.
const notInBudget = "readability and weights alone: repeatability, eccentricity, temperature and air are not in it"

// withUncertainty puts the expanded uncertainty beside an error, where the definition asks for it, and writes the error to the same place
// (JCGM 100:2008, 7.2.6). The verdict is of the exact error, as before.
func (r *Run) withUncertainty(one record.CheckResult, s step, x *big.Rat) record.CheckResult {
	if !r.def.Uncertainty {
		return one
	}
	expanded, text, budget := r.uncertainty(s)
	one.Uncertainty, one.Budget = text, budget
	if expanded != nil && expanded.Sign() > 0 {
		one.Value = metrology.Text(x, metrology.DecimalsFor(expanded), metrology.HalfEven) + " g"
	}
	return one
}

// uncertainty is the expanded uncertainty (k = 2) of an error with its budget: rounding at zero and load, and the weights. What it leaves
// out, it names; where it cannot be worked out, it says why. None of its parts is known from few values, so that k = 2 stands for 95 %.
func (r *Run) uncertainty(s step) (expanded *big.Rat, text string, budget []record.UncertaintyPart) {
	d := r.facts.Readability
	parts, _ := metrology.InWeighing{Load: s.expected, AtZero: d, AtLoad: d}.Parts()
	reference, err := ofWeights(s.weights)
	if err != nil {
		return nil, "unknown: " + err.Error(), nil
	}
	b, err := metrology.Combine(append(parts, reference), big.NewRat(2, 1))
	if err != nil {
		return nil, "unknown: " + err.Error(), nil
	}
	for _, p := range b.Parts {
		budget = append(budget, record.UncertaintyPart{Name: p.Name, Spread: string(p.Spread), Standard: metrology.TwoDigits(p.Standard) + " g",
			Share: metrology.Text(new(big.Rat).Mul(p.Share, big.NewRat(100, 1)), 1, metrology.HalfEven) + " %"})
	}
	return b.Expanded, metrology.Uncertainty(b.Expanded) + " g (k = 2; " + notInBudget + ")", budget
}

// ofWeights is the line of the weights in a budget. What a certificate says is its expanded uncertainty over its k; a class says that a
// weight lies within its maximum permissible error, anywhere alike (JCGM 100:2008, 4.3.7). Weights that lie on the pan together count
// as if they erred together, so that their uncertainties add up (OIML R 111-1 takes those of one calibration so; from memory).
func ofWeights(weights []Weight) (p metrology.Part, err error) {
	normal, within := new(big.Rat), new(big.Rat)
	for _, w := range weights {
		switch {
		case w.Own == nil:
			return p, fmt.Errorf("neither a certificate nor a class says how exact the weight %s is", w.ID)
		case !w.certified():
			within.Add(within, w.Own)
			continue
		}
		k, ok := metrology.ParseNumber(w.CoverageFactor)
		if !ok || k.Sign() <= 0 {
			return p, fmt.Errorf("the certificate of the weight %s gives an uncertainty without a coverage factor k", w.ID)
		}
		normal.Add(normal, new(big.Rat).Quo(w.Own, k))
	}
	p = metrology.Part{Name: "reference weights", HalfWidth: normal, Spread: metrology.Normal}
	switch {
	case within.Sign() == 0:
		return p, nil
	case normal.Sign() == 0:
		p.HalfWidth, p.Spread = within, metrology.Rectangular
		return p, nil
	}
	third, err := metrology.Sqrt(new(big.Rat).Quo(new(big.Rat).Mul(within, within), big.NewRat(3, 1)))
	if err != nil {
		return p, err
	}
	p.HalfWidth = third.Add(third, normal)
	return p, nil
}

// certified says whether the weight's own limit is the uncertainty of its certificate, and not that of its class.
func (w Weight) certified() bool { return w.Uncertainty != "" && w.Conventional != "" }
