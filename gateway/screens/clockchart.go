package screens

import (
	"math"

	"weighpost/gateway/console"
)

// The chart of the time servers, in units of its own view box.
const (
	chartWidth  = 480.0
	chartMargin = 14.0
	chartRowHi  = 46.0
	chartAxis   = 34.0
)

// clockChart is what the time servers say, as a picture: each an interval around its offset from this computer's clock, as wide as
// it may be wrong, and where those that agree overlap.
type clockChart struct {
	Width, Height, Bottom float64
	Rows                  []chartRow
	Agreed                *chartSpan // where the intervals of the agreeing servers overlap; nil: there are none
	Zero                  *float64   // this computer's own clock; nil where it is outside
	Ticks                 []chartTick
	Silent                int // servers that are not drawn: they gave no usable answer
	Says                  string
}

type chartRow struct {
	Y, Bar        float64 // baseline of its words, middle of its interval
	Name, Verdict string
	Shape         string
	From, Width   float64
	Mid           float64
	Beyond        string // "before" or "after" where it lies outside of what is drawn
}

type chartSpan struct{ From, Width float64 }

type chartTick struct {
	X             float64
	Label, Anchor string // text-anchor: within the picture also at its ends
}

// chartOf draws the servers that gave a usable answer; nil: none did.
func chartOf(c console.Clock) *clockChart {
	var drawn []console.TimeServer
	for _, one := range c.Servers {
		if one.Offset != nil && one.Distance != nil {
			drawn = append(drawn, one)
		}
	}
	if len(drawn) == 0 {
		return nil
	}
	low, high := scaleOf(drawn)
	at := func(v float64) float64 {
		return chartMargin + (v-low)/(high-low)*(chartWidth-2*chartMargin)
	}
	chart := &clockChart{Width: chartWidth, Bottom: float64(len(drawn)) * chartRowHi, Silent: len(c.Servers) - len(drawn)}
	chart.Height = chart.Bottom + chartAxis
	agreedLow, agreedHigh, agreeing := math.Inf(-1), math.Inf(1), 0
	for i, one := range drawn {
		chart.Rows = append(chart.Rows, rowOf(one, i, low, high, at))
		if one.Verdict == "agreeing" {
			agreeing++
			agreedLow, agreedHigh = max(agreedLow, *one.Offset-*one.Distance), min(agreedHigh, *one.Offset+*one.Distance)
		}
	}
	chart.Says = one(len(drawn), "time server", "time servers") + " drawn, " + count(agreeing) + " agreeing."
	if agreeing > 0 && agreedHigh >= agreedLow {
		chart.Agreed = &chartSpan{at(agreedLow), max(at(agreedHigh)-at(agreedLow), 1)}
		chart.Says += " They overlap from " + plus(agreedLow) + " to " + plus(agreedHigh) + " of this computer's clock."
	}
	if low <= 0 && high >= 0 {
		zero := at(0)
		chart.Zero = &zero
	}
	chart.Ticks = ticks(low, high, at)
	return chart
}

// scaleOf is from where to where is drawn: around the servers that agree, or around all where none does, so that one that is far off
// does not make points of the others.
func scaleOf(drawn []console.TimeServer) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	widen := func(all bool) {
		for _, one := range drawn {
			if all || one.Verdict == "agreeing" {
				low, high = min(low, *one.Offset-*one.Distance), max(high, *one.Offset+*one.Distance)
			}
		}
	}
	if widen(false); math.IsInf(low, 1) {
		widen(true)
	}
	room := max((high-low)*0.25, 1e-6)
	if near := high - low; low > 0 && low < near || high < 0 && -high < near {
		low, high = min(low, 0), max(high, 0) // this computer's clock, where it is near
	}
	return low - room, high + room
}

func rowOf(one console.TimeServer, i int, low, high float64, at func(float64) float64) chartRow {
	y := float64(i) * chartRowHi
	row := chartRow{Y: y + 15, Bar: y + 29, Name: short(one.Address, 38), Verdict: one.Verdict, Shape: clockShape(one.Verdict)}
	from, to := *one.Offset-*one.Distance, *one.Offset+*one.Distance
	switch {
	case to < low:
		row.Beyond, row.Mid = "before", chartMargin
	case from > high:
		row.Beyond, row.Mid = "after", chartWidth-chartMargin
	default:
		row.From, row.Mid = at(max(from, low)), at(min(max(*one.Offset, low), high))
		row.Width = max(at(min(to, high))-row.From, 2)
	}
	return row
}

// short cuts a name that would not fit.
func short(name string, most int) string {
	if r := []rune(name); len(r) > most {
		return string(r[:most-1]) + "…"
	}
	return name
}

// ticks are up to six round numbers between two ends.
func ticks(low, high float64, at func(float64) float64) (list []chartTick) {
	step := math.Pow(10, math.Floor(math.Log10((high-low)/4)))
	for (high-low)/step > 5 {
		step *= 2
		if (high-low)/step > 5 {
			step *= 2.5
		}
	}
	for i := math.Ceil(low / step); i*step <= high; i++ {
		label := "0"
		if i != 0 {
			label = plus(i * step)
		}
		tick := chartTick{at(i * step), label, "middle"}
		if tick.X < 4*chartMargin {
			tick.Anchor = "start"
		} else if tick.X > chartWidth-4*chartMargin {
			tick.Anchor = "end"
		}
		list = append(list, tick)
	}
	return list
}

// plus writes a length of time with its sign.
func plus(s float64) string {
	if s > 0 {
		return "+" + seconds(s)
	}
	return seconds(s)
}
