package checks

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// Facts are what is known of the balance that is checked. What is nil or empty is not known.
type Facts struct {
	Balance     record.Balance
	Readability *big.Rat // d, grams
	Interval    *big.Rat // e, grams
	Capacity    *big.Rat // grams
	Class       string   // I to IIII, where the balance is verified
}

// Weight is a reference weight with what the register says of it now.
type Weight struct {
	record.WeightUsed
	Value *big.Rat // what it is worth, grams: conventional mass, or nominal mass where no certificate says one
	Own   *big.Rat // its own limit, grams: the uncertainty of its certificate, or the maximum permissible error of its class; nil: unknown
}

// NewWeight works out what a weight is worth.
func NewWeight(used record.WeightUsed) (w Weight, err error) {
	w.WeightUsed = used
	nominal, err := metrology.ParseMass(string(used.Nominal))
	if err != nil {
		return w, fmt.Errorf("the nominal mass of %s: %w", used.ID, err)
	}
	w.Value = nominal
	if used.Conventional != "" {
		if w.Value, err = metrology.ParseMass(string(used.Conventional)); err != nil {
			return w, fmt.Errorf("the conventional mass of %s: %w", used.ID, err)
		}
	}
	if used.Uncertainty != "" && used.Conventional != "" {
		w.Own, err = metrology.ParseMass(string(used.Uncertainty))
		return w, err
	}
	if limit, _, err := metrology.MPEWeight(used.Class, nominal); err == nil {
		w.Own = limit
	}
	return w, nil
}

func (w Weight) nominal() *big.Rat {
	g, err := metrology.ParseMass(string(w.Nominal))
	if err != nil {
		return new(big.Rat) // NewWeight was there before
	}
	return g
}

// shown names a weight as a person finds it: "200 g, F1, set 3 (f1-3-200a)".
func (w Weight) shown() string {
	parts := []string{string(w.Nominal)}
	if w.Class != "" {
		parts = append(parts, w.Class)
	}
	if w.Set != "" {
		parts = append(parts, "set "+w.Set)
	}
	return strings.Join(parts, ", ") + " (" + w.ID + ")"
}

// kinds of step
const (
	asking  = "ask"
	zeroing = "zero"
	placing = "place"
)

// step is one thing that the person does.
type step struct {
	kind     string
	name     string
	say      string
	weights  []Weight
	expected *big.Rat // grams; nil for a question
	nominal  *big.Rat // of a load, grams
	lifts    bool     // the load before is the same: it has to leave the pan first
}

// loaded is a load with the weights that make it.
type loaded struct {
	text    string
	grams   *big.Rat // nominal
	value   *big.Rat // what the weights are worth
	own     *big.Rat // the sum of their own limits; nil: one is unknown
	weights []Weight
}

// loadsOf finds weights for every load: those that were chosen for it, or the one of its nominal mass.
func loadsOf(d *Definition, f Facts, chosen []Weight) (all []loaded, err error) {
	for _, s := range d.Loads {
		l, err := parseLoad(s)
		if err != nil {
			return nil, err
		}
		one, err := fit(l, f, chosen)
		if err != nil {
			return nil, err
		}
		if f.Capacity != nil && one.grams.Cmp(f.Capacity) > 0 {
			return nil, fmt.Errorf("the load %s is above the capacity of the balance, %s", s, f.Balance.Capacity)
		}
		if n := len(all); d.Measures == Linearity && n > 0 && one.grams.Cmp(all[n-1].grams) <= 0 {
			return nil, fmt.Errorf("the load %s comes to %s, and the one before it to %s: each has to be greater than the one before. Choose more weights", s, one.massText(), all[n-1].massText())
		}
		all = append(all, one)
	}
	return all, nil
}

// leastPart is how much of a part of the capacity its weight has to be. Of a set of 1, 2, 2, 5, the greatest weight that is not above a
// load is always more than two fifths of it.
var leastPart = big.NewRat(2, 5)

// fit takes the one weight of a load's nominal mass, or, for a part of the capacity, the greatest that is not above it; and else the
// fewest weights, greatest first, that make up the mass exactly.
func fit(l load, f Facts, chosen []Weight) (one loaded, err error) {
	byMass := slices.SortedFunc(slices.Values(chosen), func(a, b Weight) int { return cmp.Or(b.nominal().Cmp(a.nominal()), strings.Compare(a.ID, b.ID)) })
	want := l.grams
	if l.part != nil {
		if f.Capacity == nil {
			return one, fmt.Errorf("the load %s is a part of the capacity, and the capacity of the balance is not known: write it into the balance's settings", l.text)
		}
		most := new(big.Rat).Mul(f.Capacity, l.part)
		i := slices.IndexFunc(byMass, func(w Weight) bool { return w.nominal().Cmp(most) <= 0 })
		if i < 0 {
			return one, fmt.Errorf("no reference weight was chosen of at most %s of the capacity", l.text)
		}
		want = byMass[i].nominal()
		if least := new(big.Rat).Mul(most, leastPart); want.Cmp(least) < 0 {
			return one, fmt.Errorf("the greatest reference weight that was chosen of at most %s of the capacity is %s, and that is less than two fifths of it: it does not test that load", l.text, byMass[i].Nominal)
		}
	}
	one = loaded{text: l.text, grams: want, value: new(big.Rat), own: new(big.Rat)}
	rest := new(big.Rat).Set(want)
	for _, w := range byMass {
		if w.nominal().Cmp(rest) > 0 {
			continue
		}
		rest.Sub(rest, w.nominal())
		one.weights = append(one.weights, w)
		one.value.Add(one.value, w.Value)
		if w.Own == nil {
			one.own = nil
		} else if one.own != nil {
			one.own.Add(one.own, w.Own)
		}
	}
	if rest.Sign() != 0 {
		return one, fmt.Errorf("the reference weights that were chosen do not make up the load %s: %s g is missing", l.text, metrology.Exact(rest))
	}
	return one, nil
}

// planOf writes the steps of a check.
func planOf(d *Definition, loads []loaded) (steps []step) {
	for i, q := range d.Questions {
		steps = append(steps, step{kind: asking, name: fmt.Sprint("question ", i+1), say: q})
	}
	zero := func() {
		steps = append(steps, step{kind: zeroing, name: "zero", say: "Take everything off the pan and set the balance to zero.", expected: new(big.Rat)})
	}
	place := func(l loaded, name, where string, lifts bool) {
		steps = append(steps, step{kind: placing, name: name, say: sayPlace(l, where), weights: l.weights, expected: l.value, nominal: l.grams, lifts: lifts})
	}
	switch d.Measures {
	case Repeatability:
		for i := range d.Times {
			zero()
			place(loads[0], fmt.Sprintf("load %d of %d", i+1, d.Times), "on the centre of the pan", false)
		}
	case Eccentricity:
		zero()
		place(loads[0], "centre", "on the centre of the pan", false)
		for _, p := range d.Positions {
			place(loads[0], p, p+" on the pan, half way out", true)
		}
	case Linearity:
		zero()
		for _, l := range loads {
			place(l, "up to "+l.massText(), "on the centre of the pan", false)
		}
		if d.Down {
			for i := len(loads) - 2; i >= 0; i-- {
				place(loads[i], "down to "+loads[i].massText(), "on the centre of the pan, and nothing else", false)
			}
			steps = append(steps, step{kind: zeroing, name: "zero at the end", say: "Take everything off the pan. Do not set the balance to zero.", expected: new(big.Rat)})
		}
	default:
		for _, l := range loads {
			zero()
			place(l, l.massText(), "on the centre of the pan", false)
		}
	}
	return steps
}

func (l loaded) massText() string { return metrology.Exact(l.grams) + " g" }

func sayPlace(l loaded, where string) string {
	var names []string
	for _, w := range l.weights {
		names = append(names, w.shown())
	}
	return "Place " + strings.Join(names, " and ") + " " + where + "."
}
