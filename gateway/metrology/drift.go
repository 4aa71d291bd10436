package metrology

import (
	"fmt"
	"math"
)

// Drift is the straight line that fits values over time best (least squares), with how sure its slope is. Time is in any unit, days say.
type Drift struct {
	Slope, At0 float64 // per unit of time, and at time 0
	SlopeError float64 // standard error of the slope
	N          int
}

// DriftOf fits a line. It takes three points or more, not all at one time.
func DriftOf(at, x []float64) (d Drift, err error) {
	if len(at) != len(x) || len(x) < 3 {
		return d, fmt.Errorf("a drift takes three values or more, each with its time, and there are %d", len(x))
	}
	n := float64(len(x))
	var meanT, meanX, tt, tx float64
	for i := range x {
		meanT += at[i] / n
		meanX += x[i] / n
	}
	for i := range x {
		tt += (at[i] - meanT) * (at[i] - meanT)
		tx += (at[i] - meanT) * (x[i] - meanX)
	}
	if tt == 0 {
		return d, fmt.Errorf("all %d values are of one time: there is no drift to see", len(x))
	}
	d = Drift{Slope: tx / tt, N: len(x)}
	d.At0 = meanX - d.Slope*meanT
	var rest float64
	for i := range x {
		e := x[i] - d.At0 - d.Slope*at[i]
		rest += e * e
	}
	d.SlopeError = math.Sqrt(rest / (n - 2) / tt)
	return d, nil
}

// Sure says whether the slope differs from none by more than three standard errors. Below that a forecast would be a guess.
func (d Drift) Sure() bool { return math.Abs(d.Slope) > 3*d.SlopeError && d.Slope != 0 }

// Reaches is when the line comes to one of two limits, if the slope is sure and it is not there yet at the time now; ok is false where
// nothing can be said.
func (d Drift) Reaches(low, high, now float64) (when float64, ok bool) {
	limit := high
	if d.Slope < 0 {
		limit = low
	}
	if !d.Sure() {
		return 0, false
	}
	when = (limit - d.At0) / d.Slope
	return when, when >= now
}
