package report

import (
	"fmt"
	"math/big"
	"strings"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/decimal"
)

// series are the values of one kind that were found several times.
type series struct {
	name, unit string
	values     []valued
}

// valued is one of them.
type valued struct {
	text string
	x    *big.Rat
	out  bool // it does not count
}

// repeated gathers what a run found more than once: values of one step, of one unit, in their order. Values that were worked out anew
// stand for those before; what rests on an excluded weighing does not count, and neither does what has no value any more.
func (r *Run) repeated() (list []series) {
	at := map[string]int{}
	for _, s := range r.Steps {
		v, out := r.valueNow(s.RunStep), s.Weighing != nil && r.exclusion(s.Weighing.ID) != nil
		if v != nil && v.Digits == "" && s.Value != nil {
			v, out = s.Value, true // it has none any more, and stands where it was
		}
		if !s.Counts || v == nil || v.Digits == "" || s.Pass == 0 {
			continue
		}
		x, ok := ratOf(v.Digits)
		if !ok {
			continue
		}
		key := s.Step + "\x00" + v.Unit
		i, there := at[key]
		if !there {
			i = len(list)
			at[key] = i
			list = append(list, series{name: labelOr(r.Labels, s.Step), unit: v.Unit})
		}
		list[i].values = append(list[i].values, valued{v.Digits, x, out})
	}
	return enough(list)
}

// enough drops what was found only once.
func enough(list []series) (kept []series) {
	for _, s := range list {
		if len(s.counting()) > 1 {
			kept = append(kept, s)
		}
	}
	return kept
}

func labelOr(labels map[string]string, step string) string {
	if l := labels[step]; l != "" {
		return l
	}
	return step
}

// valueNow is what a step found, as it stands.
func (r *Run) valueNow(s *record.RunStep) *record.RunValue {
	for _, w := range r.reworked() {
		if w.Step == s.Step && w.Pass == s.Pass {
			return &w.Value
		}
	}
	return s.Value
}

func ratOf(digits string) (*big.Rat, bool) {
	d, err := decimal.Parse([]byte(digits))
	if err != nil {
		return nil, false
	}
	return d.Rat(), true
}

// counting are the values that count.
func (s *series) counting() (x []*big.Rat) {
	for _, v := range s.values {
		if !v.out {
			x = append(x, v.x)
		}
	}
	return x
}

// decimals is one more than the values have: a mean of several is known a little better than each of them.
func (s *series) decimals() (n int) {
	for _, v := range s.values {
		if _, after, found := strings.Cut(v.text, "."); found {
			n = max(n, len(after))
		}
	}
	return min(n+1, 30)
}

// statistics of a run.
func (r *Run) statistics() []Section { return statisticsOf(r.repeated()) }

func statisticsOf(list []series) []Section {
	if len(list) == 0 {
		return nil
	}
	t := &Table{Heads: []Head{{"Value", 0.24, false}, {"n", 0.05, true}, {"Mean", 0.17, true}, {"Standard deviation s", 0.17, true}, {"s in % of the mean", 0.11, true}, {"Smallest", 0.13, true}, {"Largest", 0.13, true}}}
	for i := range list {
		t.Rows = append(t.Rows, list[i].row())
	}
	return []Section{{Name: "Statistics", Table: t, Notes: []string{"Of the values that count. s is the experimental standard deviation, with n − 1 (JCGM 100:2008, 4.2.2). Means and standard deviations have one decimal more than the values."}}}
}

func (s *series) row() Row {
	x, n := s.counting(), s.decimals()
	mean, err := metrology.Mean(x)
	sd, serr := metrology.SD(x)
	cells := []string{s.name, fmt.Sprint(len(x)), unknown, unknown, unknown, unknown, unknown}
	if err != nil || serr != nil {
		return Row{Cells: cells}
	}
	with := func(v *big.Rat, decimals int) string {
		return strings.TrimSpace(metrology.Text(v, decimals, metrology.HalfEven) + " " + unitText(s.unit))
	}
	cells[2], cells[3], cells[4] = with(mean, n), with(sd, n), "none: the mean is zero"
	if mean.Sign() != 0 {
		cells[4] = metrology.Text(new(big.Rat).Mul(big.NewRat(100, 1), new(big.Rat).Quo(sd, new(big.Rat).Abs(mean))), 2, metrology.HalfEven)
	}
	least, most := x[0], x[0]
	for _, v := range x {
		if v.Cmp(least) < 0 {
			least = v
		}
		if v.Cmp(most) > 0 {
			most = v
		}
	}
	cells[5], cells[6] = with(least, n-1), with(most, n-1)
	return Row{Cells: cells}
}

// charts of a run.
func (r *Run) charts() []Section { return chartsOf(r.repeated()) }

const (
	leastDots  = 3 // fewer are seen as well in a table
	mostCharts = 6
)

func chartsOf(list []series) []Section {
	var all []Section
	for i := range list {
		s := &list[i]
		if len(s.counting()) < leastDots || len(all) == mostCharts {
			continue
		}
		c := &Chart{Name: s.name, Unit: s.unit}
		for _, v := range s.values {
			x, _ := v.x.Float64()
			c.Points = append(c.Points, Dot{x, v.text, v.out})
		}
		mean, err := metrology.Mean(s.counting())
		sd, serr := metrology.SD(s.counting())
		if err != nil || serr != nil {
			continue
		}
		c.Mean, _ = mean.Float64()
		c.S, _ = sd.Float64()
		for i, level := range []*big.Rat{new(big.Rat).Sub(mean, sd), mean, new(big.Rat).Add(mean, sd)} {
			c.Levels[i] = metrology.Text(level, s.decimals(), metrology.HalfEven)
		}
		all = append(all, Section{Name: "Chart: " + s.name, Chart: c})
	}
	if len(all) > 0 {
		all[len(all)-1].Notes = []string{"Values in their order, with their mean and one standard deviation on either side. A cross is a value that does not count, and is in neither; one that lies beyond the picture stands at its edge."}
	}
	return all
}
