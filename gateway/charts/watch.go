package charts

import (
	"fmt"
	"math"
	"slices"

	"weighpost/gateway/metrology"
)

// Signal is a pattern that chance alone seldom makes, completed by a point.
type Signal struct {
	Rule string // its name
	Says string // what it means, a sentence
}

// Names of the two that are no run rule.
const (
	AverageSignal = "moving average beyond its limits"
	SumAbove      = "cumulative sum above its limit"
	SumBelow      = "cumulative sum below its limit"
)

// means says what a rule that is completed may mean.
var means = map[string]string{
	string(metrology.Beyond3):     "A gross single deviation, or a sudden change: look at this check before anything else.",
	string(metrology.TwoOf3):      "Probably a shift: two of three points lie far off on one side.",
	string(metrology.FourOf5):     "Probably a small shift: four of five points lie off on one side.",
	string(metrology.EightSide):   "A lasting shift: eight points in a row lie on one side of the centre.",
	string(metrology.Trend6):      "A drift: six points in a row go one way.",
	string(metrology.Alternate14): "Two things in turn, such as two persons or two places: fourteen points in a row go up and down.",
	AverageSignal:                 "A small lasting shift: the moving average of the points is beyond its limits.",
	SumAbove:                      "A small lasting shift upwards: what the points lie too high by has added up.",
	SumBelow:                      "A small lasting shift downwards: what the points lie too low by has added up.",
}

// Rules lists every signal that there is, with what it means, in the order in which a point tells them.
func Rules() (all []Signal) {
	for _, r := range metrology.Rules() {
		all = append(all, Signal{string(r), means[string(r)]})
	}
	for _, name := range []string{AverageSignal, SumAbove, SumBelow} {
		all = append(all, Signal{name, means[name]})
	}
	return all
}

// Watched is a point beside the control limits, in standard deviations.
type Watched struct {
	Z            float64 // from the centre
	Average      float64 // the moving average (EWMA), from the centre
	Above, Below float64 // the cumulative sums (CUSUM)
}

// watch looks at points one after the other. After a signal it goes on as before: a shift that lasts is told at every point.
type watch struct {
	limits  metrology.Limits
	z       []float64 // the last points, as many as the longest rule looks at
	average metrology.EWMA
	sum     *metrology.CUSUM
}

const longestRule = 14

func newWatch(l metrology.Limits) *watch {
	return &watch{limits: l, sum: metrology.StandardCUSUM(l), average: metrology.EWMA{Lambda: AverageWeight, L: AverageWidth, Limits: l}}
}

func (w *watch) add(x float64) (*Watched, []Signal) {
	if w.z = append(w.z, w.limits.Z(x)); len(w.z) > longestRule {
		w.z = slices.Delete(w.z, 0, 1)
	}
	var found []Signal
	tell := func(name string) { found = append(found, Signal{name, means[name]}) }
	for _, r := range metrology.Signals(w.z) {
		tell(string(r))
	}
	e, s := w.average.Add(x), w.sum.Add(x)
	if e.Signal {
		tell(AverageSignal)
	}
	if s.Above {
		tell(SumAbove)
	}
	if s.Below {
		tell(SumBelow)
	}
	return &Watched{Z: w.z[len(w.z)-1], Average: w.limits.Z(e.Value), Above: s.High / w.limits.Sigma, Below: s.Low / w.limits.Sigma}, found
}

// Beside writes it in words.
func (w *Watched) Beside() string {
	side := "above"
	if w.Z < 0 {
		side = "below"
	}
	return fmt.Sprintf("%.1f standard deviations %s the centre", math.Abs(w.Z), side)
}
