package charts

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"weighpost/gateway/metrology"
)

// trendOf is how many points at most a drift is fitted to, the newest: what was before it began would make it look slower than it is.
const trendOf = 30

// furthest is how far ahead a forecast goes at most.
const furthest = 5 * 365

// Trend is the straight line through the newest points of a phase.
type Trend struct {
	PerDay, Error float64 // in the unit of the values a day, with its standard error
	Of            int     // points
	Sure          bool    // it differs from none by more than three standard errors
	// Reaches is the day on which the line comes to the next limit; zero where nothing can be said.
	Reaches time.Time
	Limit   string // which limit that is, as the entry has it
	Says    string // a sentence
}

// trend fits the line. Only of the newest phase there is something to forecast.
func (p *Phase) trend(k kind, unit string, now time.Time, newest bool) {
	var at, x []float64
	from := p.Points[0].At
	days := func(t time.Time) float64 { return t.Sub(from).Hours() / 24 }
	for _, one := range p.Points {
		if one.Drawn {
			at, x = append(at, days(one.At)), append(x, one.X)
		}
	}
	if len(x) < Least {
		return
	}
	at, x = at[max(0, len(at)-trendOf):], x[max(0, len(x)-trendOf):]
	d, err := metrology.DriftOf(at, x)
	if err != nil {
		return // all of one moment
	}
	t := &Trend{PerDay: d.Slope, Error: d.SlopeError, Of: d.N, Sure: d.Sure()}
	p.Trend = t
	if !t.Sure {
		t.Says = fmt.Sprintf("No drift that is sure in the last %d points.", t.Of)
		return
	}
	t.Says = fmt.Sprintf("The last %d points drift by %s %s a day (standard error %s).", t.Of, signed(d.Slope), unit, plain(d.SlopeError))
	if newest && len(p.Lines) > 0 && (d.Slope > 0 || !k.oneSided()) {
		t.forecast(d, p.Lines[len(p.Lines)-1], now, from)
	}
}

// forecast finds the limit that the line comes to next.
func (t *Trend) forecast(d metrology.Drift, l Line, now, from time.Time) {
	today := now.Sub(from).Hours() / 24
	here := d.At0 + d.Slope*today
	if beyond := math.Copysign(l.Limit, d.Slope); (here-beyond)*d.Slope >= 0 {
		t.Says += fmt.Sprintf(" By its line it is at the limit, %s, already.", l.LimitText)
		return
	}
	for _, next := range []struct {
		limit      float64
		text, name string
		there      bool
	}{{l.Warn, l.WarnText, "warning limit", l.Warns()}, {l.Limit, l.LimitText, "limit", true}} {
		when, ok := d.Reaches(-next.limit, next.limit, today)
		if !next.there || !ok {
			continue
		}
		if when-today > furthest {
			t.Says += " At this rate it does not come to a limit within five years."
			return
		}
		t.Reaches, t.Limit = from.Add(time.Duration(when*24*float64(time.Hour))).In(now.Location()), next.text
		t.Says += fmt.Sprintf(" At this rate it comes to the %s, %s, on %s.", next.name, next.text, t.Reaches.Format(time.DateOnly))
		return
	}
}

func signed(x float64) string {
	if x < 0 {
		return "−" + plain(-x)
	}
	return "+" + plain(x)
}

// plain writes a number with two significant digits and no exponent.
func plain(x float64) string {
	if x == 0 {
		return "0"
	}
	return strconv.FormatFloat(x, 'f', max(0, 1-int(math.Floor(math.Log10(math.Abs(x))))), 64)
}
