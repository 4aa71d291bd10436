package metrology

import (
	"fmt"
	"math"
)

// Handbook is where the charts and their rules come from.
var Handbook = Source{Name: "NIST/SEMATECH e-Handbook of Statistical Methods", Clause: "6.3.2"}

// Limits are the centre of a chart and the standard deviation that its limits are drawn from. Charts use float64: they are pictures and
// signals, never the result of a check.
type Limits struct{ Centre, Sigma float64 }

// At is the value z standard deviations above the centre.
func (l Limits) At(z float64) float64 { return l.Centre + z*l.Sigma }

// Z is how many standard deviations a value is above the centre.
func (l Limits) Z(x float64) float64 { return (x - l.Centre) / l.Sigma }

// d2OfTwo turns the mean of moving ranges of two into a standard deviation. The handbook's limits need it with three decimals (6.3.2.2).
const d2OfTwo = 1.128

// Individuals gives the limits of a chart of single values: their mean, and the mean moving range over 1.128 (6.3.2.2).
func Individuals(x []float64) (Limits, error) {
	if len(x) < 2 {
		return Limits{}, fmt.Errorf("a chart takes two values or more to have limits, and there are %d", len(x))
	}
	sum, moved := x[0], 0.0
	for i := 1; i < len(x); i++ {
		sum += x[i]
		moved += math.Abs(x[i] - x[i-1])
	}
	l := Limits{Centre: sum / float64(len(x)), Sigma: moved / float64(len(x)-1) / d2OfTwo}
	if l.Sigma == 0 {
		return l, fmt.Errorf("all %d values are equal: there is nothing to draw limits from", len(x))
	}
	return l, nil
}

// C4 is the expectation of the standard deviation of n normal values over the true one.
func C4(n int) float64 {
	top, _ := math.Lgamma(float64(n) / 2)
	bottom, _ := math.Lgamma(float64(n-1) / 2)
	return math.Sqrt(2/float64(n-1)) * math.Exp(top-bottom)
}

// SDLimits gives the centre and the limits, three standard deviations off, of a chart of standard deviations of n values each, from the
// mean of such standard deviations: factors B3 and B4 (6.3.2.1). The lower one is not below zero.
func SDLimits(meanSD float64, n int) (centre, low, high float64, err error) {
	if n < 2 || meanSD <= 0 {
		return 0, 0, 0, fmt.Errorf("a chart of standard deviations takes two values or more in each, and a mean above zero")
	}
	c4 := C4(n)
	three := 3 * math.Sqrt(1-c4*c4) / c4
	return meanSD, math.Max(0, meanSD*(1-three)), meanSD * (1 + three), nil
}

// Rule is a pattern of points that chance alone seldom makes.
type Rule string

// The rules: four zones and two of trend (6.3.2). A point that is just on a limit is not beyond it; a tie breaks a trend and an
// alternation; a point on the centre breaks a run.
const (
	Beyond3     Rule = "one point beyond 3 sigma"
	TwoOf3      Rule = "two of three beyond 2 sigma on one side"
	FourOf5     Rule = "four of five beyond 1 sigma on one side"
	EightSide   Rule = "eight in a row on one side"
	Trend6      Rule = "six in a row rising or falling"
	Alternate14 Rule = "fourteen in a row up and down in turn"
)

// Rules lists the rules. The first four are the zone rules: with all of them there is a false alarm every 91.75 points on average, and
// every 370.4 with the first alone.
func Rules() []Rule { return []Rule{Beyond3, TwoOf3, FourOf5, EightSide, Trend6, Alternate14} }

var zones = []struct {
	rule     Rule
	many, of int
	line     float64
}{{Beyond3, 1, 1, 3}, {TwoOf3, 2, 3, 2}, {FourOf5, 4, 5, 1}, {EightSide, 8, 8, 0}}

// Signals gives the rules that the last of the points, in standard deviations from the centre, completes.
func Signals(z []float64) (found []Rule) {
	for _, side := range []float64{1, -1} {
		for _, zone := range zones {
			if completes(z, side, zone.many, zone.of, zone.line) {
				found = append(found, zone.rule)
			}
		}
		if monotone(z, side, 6) {
			found = append(found, Trend6)
		}
	}
	if alternates(z, 14) {
		found = append(found, Alternate14)
	}
	return found
}

// completes says whether many of the last points are beyond a line on a side, the last of them too.
func completes(z []float64, side float64, many, of int, line float64) bool {
	if len(z) < of || z[len(z)-1]*side <= line {
		return false
	}
	n := 0
	for _, v := range z[len(z)-of:] {
		if v*side > line {
			n++
		}
	}
	return n >= many
}

func monotone(z []float64, side float64, of int) bool {
	if len(z) < of {
		return false
	}
	last := z[len(z)-of:]
	for i := 1; i < of; i++ {
		if (last[i]-last[i-1])*side <= 0 {
			return false
		}
	}
	return true
}

func alternates(z []float64, of int) bool {
	if len(z) < of {
		return false
	}
	last := z[len(z)-of:]
	for i := 2; i < of; i++ {
		if (last[i]-last[i-1])*(last[i-1]-last[i-2]) >= 0 {
			return false
		}
	}
	return true
}

// EWMA is an exponentially weighted moving average about a target (6.3.2.4): it finds a small lasting shift sooner than single points.
type EWMA struct {
	Lambda float64 // weight of the newest point, above 0 to 1; 0.2 to 0.3 is usual
	L      float64 // width of the limits in standard deviations of the average; 3 is usual
	Limits
	value float64
	n     int
}

// EWMAPoint is the average after a point, with the limits that hold just then: they widen over the first points.
type EWMAPoint struct {
	Value, Low, High float64
	Signal           bool
}

// Add takes the next value.
func (e *EWMA) Add(x float64) EWMAPoint {
	if e.n == 0 {
		e.value = e.Centre
	}
	e.n++
	e.value = e.Lambda*x + (1-e.Lambda)*e.value
	width := e.width(math.Pow(1-e.Lambda, 2*float64(e.n)))
	p := EWMAPoint{Value: e.value, Low: e.Centre - width, High: e.Centre + width}
	p.Signal = p.Value < p.Low || p.Value > p.High
	return p
}

func (e *EWMA) width(left float64) float64 {
	return e.L * e.Sigma * math.Sqrt(e.Lambda/(2-e.Lambda)*(1-left))
}

// Steady gives the limits that hold after many points.
func (e *EWMA) Steady() (low, high float64) {
	w := e.width(0)
	return e.Centre - w, e.Centre + w
}

// CUSUM sums up deviations from a target beyond an allowance, on each side (6.3.2.3). K and H are in the unit of the values: half the
// shift that is to be found, and the sum from which it is said.
type CUSUM struct {
	Target, K, H float64
	high, low    float64
}

// StandardCUSUM makes one that finds a shift of one standard deviation: K = 0.5, H = 5 standard deviations.
func StandardCUSUM(l Limits) *CUSUM {
	return &CUSUM{Target: l.Centre, K: 0.5 * l.Sigma, H: 5 * l.Sigma}
}

// CUSUMPoint is both sums after a point.
type CUSUMPoint struct {
	High, Low    float64
	Above, Below bool // High, or Low, is beyond H
}

// Add takes the next value.
func (c *CUSUM) Add(x float64) CUSUMPoint {
	c.high = math.Max(0, c.high+x-c.Target-c.K)
	c.low = math.Max(0, c.low+c.Target-c.K-x)
	return CUSUMPoint{High: c.high, Low: c.low, Above: c.high > c.H, Below: c.low > c.H}
}
