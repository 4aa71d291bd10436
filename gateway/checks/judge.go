package checks

import (
	"fmt"
	"math/big"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// Ended is what a check found.
type Ended struct {
	Outcome string // passed, warned, failed, aborted
	Reason  string // of an end without a verdict
	Results []record.CheckResult
	Minimum *record.MinimumWeight // of repeatability with ten weighings or more
}

// ownTolerance is where a limit comes from that a lab set itself.
const ownTolerance = "the lab's own tolerance"

// limitAt is the limit of an error at a load, in grams, with where it comes from. The steps of a verified balance go by the nominal load: a
// weight of 50 g that is worth 50.00003 g is no load beyond 50 g, and one of the capacity is not above it.
func (r *Run) limitAt(nominal, value *big.Rat) (*big.Rat, string, error) {
	t := r.def.Tolerance
	switch {
	case t.Mass != "":
		m, err := metrology.ParseMass(t.Mass)
		return m, ownTolerance, err
	case t.Percent != "":
		p, _ := metrology.ParseNumber(t.Percent)
		return p.Mul(p.Quo(p, big.NewRat(100, 1)), value), fmt.Sprintf("%s: %s %% of the load", ownTolerance, t.Percent), nil
	case t.D != 0:
		return new(big.Rat).Mul(r.facts.Readability, big.NewRat(int64(t.D), 1)), fmt.Sprintf("%s: %d d", ownTolerance, t.D), nil
	case t.Verified != "":
		if r.facts.Class == "" || r.facts.Interval == nil {
			return nil, "", fmt.Errorf("the limit of a verified balance takes its accuracy class and verification interval e, and the settings of %s do not give both", r.facts.Balance.ID)
		}
		m, source, err := metrology.MPEBalance(r.facts.Class, r.facts.Interval, nominal, t.Verified == "in-service")
		return m, source.String(), err
	}
	from := metrology.USP41.Name + ": 0.10 % of the load"
	if r.facts.Capacity != nil && !metrology.WithinCapacity(nominal, r.facts.Capacity) {
		from += "; the chapter asks for a weight of 5 % of the capacity or more, and this is less"
	}
	return new(big.Rat).Mul(value, big.NewRat(1, 1000)), from, nil
}

// Doubts says which weights are too coarse for the limits of the check: a weight's own limit has to be at most a third of the limit that is
// tested with it.
func (r *Run) Doubts() map[string]string {
	doubts := map[string]string{}
	if r.def.Measures == Repeatability || r.def.Measures == Eccentricity && r.def.Tolerance.Verified == "" {
		return doubts // what the weight is worth does not matter: only that it stays the same
	}
	for _, l := range r.loads {
		limit, _, err := r.limitAt(l.grams, l.value)
		if err != nil {
			continue
		}
		for _, w := range l.weights {
			switch {
			case l.own == nil && w.Own == nil:
				doubts[w.ID] = "neither a certificate nor its class says how exact it is"
			case l.own != nil && !metrology.FineEnough(l.own, limit):
				doubts[w.ID] = fmt.Sprintf("its own limit, %s g, is more than a third of the limit tested, %s g", metrology.Exact(l.own), metrology.Exact(limit))
			}
		}
	}
	return doubts
}

// Ended gives what the check found, once it has ended; nil before.
func (r *Run) Ended() *Ended {
	if !r.done() {
		return nil
	}
	if r.stopped != "" {
		return r.cutShort()
	}
	e := &Ended{}
	var err error
	switch r.def.Measures {
	case Repeatability:
		err = r.judgeRepeatability(e)
	case Eccentricity:
		err = r.judgeEccentricity(e)
	case Linearity:
		err = r.judgeLinearity(e)
	default:
		err = r.judgeErrors(e)
	}
	if err != nil {
		return &Ended{Outcome: record.CheckAborted, Reason: "what was measured cannot be judged: " + err.Error(), Results: []record.CheckResult{}}
	}
	e.Outcome = outcome(e.Results)
	return e
}

// cutShort is what a check is that was stopped: it has no verdict, unless something that it found is beyond its limit already. Else whoever
// saw that a balance fails could stop its check, and nobody would ask what was weighed on it.
func (r *Run) cutShort() *Ended {
	e := &Ended{Outcome: record.CheckAborted, Reason: r.stopped, Results: []record.CheckResult{}}
	if r.def.Measures == Repeatability {
		return e // a scatter is one of all of its weighings
	}
	found := r.soFar()
	for _, one := range found {
		if one.Verdict == record.CheckFailed {
			e.Outcome, e.Results = record.CheckFailed, found
			e.Reason = "it was stopped (" + r.stopped + "), and what it had found is beyond the limit"
			return e
		}
	}
	return e
}

// errorName is what the error of a load is called among the results.
func (r *Run) errorName(s step) string {
	switch r.def.Measures {
	case Sensitivity:
		return "error of the span"
	case Linearity:
		return "error " + s.name
	}
	return "error at " + s.name
}

// soFar judges the loads that were weighed before a check was stopped. What was replaced counts where nothing came in its place.
func (r *Run) soFar() (found []record.CheckResult) {
	var zero, centre *big.Rat
	for at, s := range r.steps {
		a := r.taken[at]
		if a == nil {
			a = r.undone[at]
		}
		switch {
		case a == nil || a.Grams == nil:
			continue
		case s.kind == zeroing:
			zero = a.Grams
			continue
		case zero == nil:
			continue
		}
		limit, from, err := r.limitAt(s.nominal, s.expected)
		if err != nil {
			continue
		}
		net := new(big.Rat).Sub(a.Grams, zero)
		name, off := r.errorName(s), new(big.Rat).Sub(net, s.expected)
		if r.def.Measures == Eccentricity && r.def.Tolerance.Verified == "" {
			if centre == nil {
				centre = net
				continue
			}
			name, off = s.name+" less centre", new(big.Rat).Sub(net, centre)
		}
		found = append(found, r.judged(name, off, limit, from, 0))
	}
	return found
}

func outcome(results []record.CheckResult) string {
	worst := record.CheckPassed
	for _, one := range results {
		switch {
		case one.Verdict == record.CheckFailed:
			return record.CheckFailed
		case one.Verdict == record.CheckWarned:
			worst = record.CheckWarned
		}
	}
	return worst
}

// decimals are those of the readability, and one more for what is worked out.
func (r *Run) decimals() int {
	n, ends := r.facts.Readability.FloatPrec()
	if !ends {
		n = 9
	}
	return min(n+1, 20)
}

// judged writes a result in grams and holds it, without its sign, against a limit; nil: it is not judged. The comparison is exact.
func (r *Run) judged(name string, x, limit *big.Rat, from string, more int) record.CheckResult {
	one := record.CheckResult{Name: name, Value: metrology.Text(x, r.decimals()+more, metrology.HalfEven) + " g", Exact: metrology.Exact(x),
		Rounded: metrology.HalfEven.String(), Verdict: record.NotJudged}
	if limit == nil {
		return one
	}
	warn := new(big.Rat).Mul(limit, big.NewRat(int64(r.def.WarnAt), 100))
	one.Limit, one.Warn, one.From = metrology.Exact(limit)+" g", metrology.Exact(warn)+" g", from
	size := new(big.Rat).Abs(x)
	switch {
	case size.Cmp(limit) > 0:
		one.Verdict = record.CheckFailed
	case size.Cmp(warn) > 0:
		one.Verdict = record.CheckWarned
	default:
		one.Verdict = record.CheckPassed
	}
	return one
}

// zeroBefore is the reading of the last empty pan before a step.
func (r *Run) zeroBefore(at int) *big.Rat {
	for ; at >= 0; at-- {
		if r.steps[at].kind == zeroing {
			return r.taken[at].Grams
		}
	}
	return new(big.Rat)
}

// each calls f for every load that was weighed, with its reading less that of the empty pan before it.
func (r *Run) each(f func(at int, s step, net *big.Rat) error) error {
	for at, s := range r.steps {
		if s.kind == placing {
			if err := f(at, s, new(big.Rat).Sub(r.taken[at].Grams, r.zeroBefore(at))); err != nil {
				return err
			}
		}
	}
	return nil
}

func (r *Run) judgeErrors(e *Ended) error {
	return r.each(func(_ int, s step, net *big.Rat) error {
		limit, from, err := r.limitAt(s.nominal, s.expected)
		if err != nil {
			return err
		}
		off := new(big.Rat).Sub(net, s.expected)
		e.Results = append(e.Results, r.withUncertainty(r.judged(r.errorName(s), off, limit, from, 0), s, off))
		return nil
	})
}

func (r *Run) judgeRepeatability(e *Ended) error {
	var nets []*big.Rat
	_ = r.each(func(_ int, _ step, net *big.Rat) error { nets = append(nets, net); return nil })
	rep, err := metrology.RepeatabilityUSP41(nets, r.facts.Readability)
	if err != nil {
		return err
	}
	e.Results = append(e.Results, r.judged("mean", rep.Mean, nil, "", 0))
	t := r.def.Tolerance
	if !t.USP41 {
		limit, from, err := r.limitAt(r.loads[0].grams, r.loads[0].value)
		if err != nil {
			return err
		}
		e.Results = append(e.Results, r.judged(fmt.Sprintf("standard deviation of %d", rep.N), rep.SD, limit, from, 1))
	} else if err := r.judgeUSP41(e, rep); err != nil {
		return err
	}
	if !rep.Enough {
		return nil
	}
	m, err := metrology.MinimumUSP41(rep.SD, r.facts.Readability)
	if err != nil {
		return err
	}
	up := metrology.RoundUp(m.Mass, r.facts.Readability)
	e.Minimum = &record.MinimumWeight{Mass: record.Mass(metrology.Text(up, r.decimals()-1, metrology.HalfEven) + " g"), Source: m.Source.String()}
	one := r.judged("minimum weight", up, nil, "", -1)
	one.Exact, one.Rounded = metrology.Exact(m.Mass), "up, to the readability"
	one.From = m.Source.String()
	e.Results = append(e.Results, one)
	return nil
}

// judgeUSP41 holds 2·s against 0.10 % of the smallest net weight.
func (r *Run) judgeUSP41(e *Ended, rep metrology.Repeatability) error {
	smallest, err := metrology.ParseMass(r.def.Tolerance.Smallest)
	if err != nil {
		return err
	}
	e.Results = append(e.Results, r.judged(fmt.Sprintf("standard deviation of %d", rep.N), rep.SD, nil, "", 1))
	limit := new(big.Rat).Quo(smallest, big.NewRat(1000, 1))
	from := fmt.Sprintf("%s: 0.10 %% of the smallest net weight, %s", metrology.USP41.Name, r.def.Tolerance.Smallest)
	if !rep.Enough {
		from += fmt.Sprintf("; the chapter asks for ten weighings, and these are %d", rep.N)
	}
	name := "2 s"
	if rep.Floored {
		name = "2 s, with s taken as 0.41 d"
	}
	e.Results = append(e.Results, r.judged(name, new(big.Rat).Mul(rep.Effective, big.NewRat(2, 1)), limit, from, 1))
	return nil
}

func (r *Run) judgeEccentricity(e *Ended) error {
	var centre *big.Rat
	var places []metrology.Placed
	_ = r.each(func(_ int, s step, net *big.Rat) error {
		if centre == nil {
			centre = net
			return nil
		}
		places = append(places, metrology.Placed{Name: s.name, Reading: net})
		return nil
	})
	ecc, err := metrology.EccentricityOf(centre, places)
	if err != nil {
		return err
	}
	if r.def.Tolerance.Verified != "" {
		return r.judgeErrors(e) // OIML R 76-1:2006, 3.6.2 holds each place to the limit at the load
	}
	limit, from, err := r.limitAt(r.loads[0].grams, r.loads[0].value)
	if err != nil {
		return err
	}
	for _, p := range ecc.Differences {
		e.Results = append(e.Results, r.judged(p.Name+" less centre", p.Reading, limit, from, 0))
	}
	return nil
}

func (r *Run) judgeLinearity(e *Ended) error {
	var loads []metrology.Placed
	err := r.each(func(_ int, s step, net *big.Rat) error {
		limit, from, err := r.limitAt(s.nominal, s.expected)
		if err != nil {
			return err
		}
		loads = append(loads, metrology.Placed{Name: s.name, Load: s.expected, Reading: net})
		off := new(big.Rat).Sub(net, s.expected)
		e.Results = append(e.Results, r.withUncertainty(r.judged(r.errorName(s), off, limit, from, 0), s, off))
		return nil
	})
	if err != nil {
		return err
	}
	l, err := metrology.LinearityOf(loads)
	if err != nil {
		return err
	}
	e.Results = append(e.Results, r.judged("greatest distance from a straight line", l.Bent, nil, "", 0))
	if r.def.Down {
		end := r.taken[len(r.steps)-1].Grams
		e.Results = append(e.Results, r.judged("zero at the end", new(big.Rat).Sub(end, r.zeroBefore(len(r.steps)-2)), nil, "", 0))
	}
	return nil
}
