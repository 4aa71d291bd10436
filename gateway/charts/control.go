package charts

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"weighpost/gateway/metrology"
)

// How many points the control limits are drawn from: the first of a phase, from Least on provisionally, and from Base on for good.
const (
	Least = 8
	Base  = 20
)

// How the average and the sums are set. With known limits the average is beyond its own once in about 500 points by chance, and the sums once
// in 465 (sources: the tests of this room).
const (
	AverageWeight = 0.25 // λ
	AverageWidth  = 3    // L
)

// Control is what the first points of a phase say of where its points lie.
type Control struct {
	metrology.Limits
	Low, High   float64 // three standard deviations off
	Of          int     // how many points they come from
	Provisional bool    // there are fewer than Base yet: the limits still move
	// Floored: the points scatter less than rounding to the readability does, and the scatter of rounding stands in.
	Floored bool
	Says    string // a sentence
}

// kind is what sort of numbers a result has.
type kind struct {
	n       int    // a standard deviation of so many values
	follows string // why it has no control limits of its own
}

func kindOf(result string) kind {
	if n, ok := strings.CutPrefix(result, "standard deviation of "); ok {
		if n, err := strconv.Atoi(n); err == nil && n >= 2 {
			return kind{n: n}
		}
	}
	switch result {
	case "2 s", "minimum weight":
		return kind{follows: "It has no control limits of its own: it follows from the standard deviation, which has its chart."}
	case "greatest distance from a straight line":
		return kind{follows: "It has no control limits: it is the greatest of several numbers and never below zero, and the rules are for single values on both sides of a mean."}
	}
	return kind{}
}

// oneSided says that a result is never below zero.
func (k kind) oneSided() bool { return k.n > 0 || k.follows != "" }

// roundedTwice is the standard deviation, in d, of the difference of two readings that are rounded to d and else exact: d/√12 each, the
// standard uncertainty of a rectangular distribution (JCGM 100:2008, 4.3.7 and F.2.2.1).
var roundedTwice = 1 / math.Sqrt(6)

// judge finds the control limits of a phase, and what each of its points says against them. d is the readability of the balance, or 0.
func (p *Phase) judge(k kind, d float64) {
	if p.NoControl = k.follows; p.NoControl != "" {
		return
	}
	var x []float64
	for _, one := range p.Points {
		if one.Drawn && len(x) < Base {
			x = append(x, one.X)
		}
	}
	if len(x) < Least {
		p.NoControl = fmt.Sprintf("There are no control limits yet: they take %d points of this phase, and there are %d.", Least, len(x))
		return
	}
	c, why := controlOf(x, k, d)
	if why != "" {
		p.NoControl = why
		return
	}
	p.Control = c
	w := newWatch(c.Limits)
	for i := range p.Points {
		if p.Points[i].Drawn {
			p.Points[i].Watch, p.Points[i].Signals = w.add(p.Points[i].X)
		}
	}
}

// controlOf gives the limits that values show, or why there are none.
func controlOf(x []float64, k kind, d float64) (*Control, string) {
	c := &Control{Of: len(x), Provisional: len(x) < Base}
	said := "the mean of them, and three standard deviations from their moving ranges (e-Handbook 6.3.2.2)"
	if k.n > 0 {
		mean := 0.0
		for _, s := range x {
			mean += s / float64(len(x))
		}
		centre, low, high, err := metrology.SDLimits(mean, k.n)
		if err != nil {
			return nil, "There are no control limits: all standard deviations are zero."
		}
		c.Limits, c.Low, c.High = metrology.Limits{Centre: centre, Sigma: (high - centre) / 3}, low, high
		said = fmt.Sprintf("the mean of them, with factors B3 and B4 for %d values each (e-Handbook 6.3.2.1)", k.n)
	} else {
		l, err := metrology.Individuals(x)
		if floor := d * roundedTwice; l.Sigma < floor {
			l.Sigma, c.Floored = floor, true
		} else if err != nil {
			return nil, fmt.Sprintf("There are no control limits: the first %d points are all equal, and how finely the balance reads is not known.", len(x))
		}
		c.Limits, c.Low, c.High = l, l.At(-3), l.At(3)
	}
	c.Says = fmt.Sprintf("Control limits of the first %d points of this phase: %s.", len(x), said)
	if c.Floored {
		c.Says += " The points scatter less than rounding to the readability does, so that 0.41 d, the scatter of two roundings, stands in."
	}
	if c.Provisional {
		c.Says += fmt.Sprintf(" Provisional: they still move, and stay from %d points on.", Base)
	}
	return c, ""
}
