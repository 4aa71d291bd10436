package metrology

import (
	"fmt"
	"math/big"
)

// NetSource is where the uncertainty of a difference of two weighings comes from.
var NetSource = Source{Name: "EURACHEM/CITAC Guide CG 4 (QUAM:2012)", Clause: "A2.4: both weighings count, as independent"}

// Net is what lies in a container: gross less tare, in their unit. Less than nothing is refused, since one of the two is then another's.
func Net(gross, tare *big.Rat) (*big.Rat, error) {
	net := new(big.Rat).Sub(gross, tare)
	if net.Sign() < 0 {
		return nil, fmt.Errorf("the full container weighs %s g and the empty one %s g: was one of them another container?", Exact(gross), Exact(tare))
	}
	return net, nil
}

// Taken is what was taken out of a container: its mass before less its mass after, in their unit. Less than nothing is refused.
func Taken(before, after *big.Rat) (*big.Rat, error) {
	taken := new(big.Rat).Sub(before, after)
	if taken.Sign() < 0 {
		return nil, fmt.Errorf("the container weighs %s g afterwards and %s g before: nothing was taken from it", Exact(after), Exact(before))
	}
	return taken, nil
}

// NetParts gives the lines of the budget of a net mass, the difference of two weighings, and names what is missing of either.
//
// Readability, repeatability and eccentricity of both count, as independent. What grows with the load (the reference weight, the temperature)
// errs by the same share in both where they were made together: on one balance, one soon after the other. It then counts once, for the net mass
// alone, and so does the buoyancy of the air, of which the gross weighing's is taken. Otherwise it counts for both.
func NetParts(gross, tare InWeighing, together bool) (parts []Part, missing []string) {
	shared := map[string]bool{"reference weight": together, "temperature": together, "air buoyancy": together}
	add := func(prefix string, w InWeighing, take func(name string) bool) {
		own, none := w.Parts()
		for _, p := range own {
			if take(p.Name) {
				p.Name = prefix + p.Name
				parts = append(parts, p)
			}
		}
		for _, name := range none {
			if take(name) {
				missing = append(missing, prefix+name)
			}
		}
	}
	each := func(name string) bool { return !shared[name] }
	add("gross: ", gross, each)
	add("tare: ", tare, each)
	if together {
		net := gross
		if net.Load = nil; gross.Load != nil && tare.Load != nil {
			net.Load = new(big.Rat).Sub(gross.Load, tare.Load)
		}
		add("net: ", net, func(name string) bool { return shared[name] })
	}
	return parts, missing
}

// NetUncertainty makes the budget of NetParts, with the coverage factor for about 95 % (Coverage).
func NetUncertainty(gross, tare InWeighing, together bool) (b Budget, missing []string, source Source, err error) {
	parts, missing := NetParts(gross, tare, together)
	b, err = CombineFor95(parts)
	return b, missing, NetSource, err
}
