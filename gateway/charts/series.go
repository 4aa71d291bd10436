package charts

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// Series is one result of one definition over time.
type Series struct {
	Definition string
	Result     string // "error at 200 g"
	Unit       string // of every value
	Phases     []Phase
	Judged     bool // some value was held against a limit
}

// OneSided says that the result is never below zero, so that its limits are above it alone.
func (s Series) OneSided() bool { return kindOf(s.Result).oneSided() }

// Phase is a stretch in which nothing was done to the balance that would move its results.
type Phase struct {
	Because   string   // what began it: "adjustment", "another definition", …; "" for the first
	Points    []Point  // oldest first, at least one
	Lines     []Line   // the limits of the definition, oldest first
	Control   *Control // nil: there are none, and NoControl says why
	NoControl string   // a sentence
	Trend     *Trend   // nil: too few points to say
}

// Point is what one check found.
type Point struct {
	At      time.Time
	Check   string // its id
	Why     string // scheduled, as found, as left, …
	Value   string // as the entry has it, with its unit
	X       float64
	Drawn   bool // false: its value cannot be drawn (another unit, no number)
	Verdict string
	Warn    string // the limits that it was held against, as the entry has them; ""
	Limit   string
	From    string
	Signals []Signal
	Watch   *Watched // nil where there are no control limits
}

// Line is a limit that held from one point of a phase to another.
type Line struct {
	First, Last int // indices of points
	Warn, Limit float64
	WarnText    string // "" where there is none
	LimitText   string
	From        string
}

// Of makes the series of one balance from its checks that ended and from what was done to it, both in any order. now is for forecasts. The
// series come in the order in which the newest check of each definition has its results, definitions by name.
func Of(checks []*record.CheckEnded, upkeep []*record.Upkeep, now time.Time) []Series {
	checks = slices.Clone(checks)
	slices.SortStableFunc(checks, func(a, b *record.CheckEnded) int {
		return cmp.Or(a.Time().Compare(b.Time()), cmp.Compare(a.Seq, b.Seq))
	})
	breaks := breaksOf(checks, upkeep)
	byName := map[string]*building{}
	for _, c := range checks {
		if len(c.Results) == 0 {
			continue // it ended without a verdict, and found nothing
		}
		b := byName[c.Check.Definition]
		if b == nil {
			b = &building{series: map[string]*growing{}}
			byName[c.Check.Definition] = b
		}
		b.take(c, breaks)
	}
	var all []Series
	for _, name := range sortedKeys(byName) {
		all = append(all, byName[name].finish(name, now)...)
	}
	return all
}

func sortedKeys(m map[string]*building) (names []string) {
	for name := range m {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// building is the series of a definition while they are made.
type building struct {
	names  []string // in the order of the newest check
	series map[string]*growing
}

// growing is one series while it is made.
type growing struct {
	unit    string
	phases  []Phase
	hash    string
	weights string
	d       float64 // the readability of the balance, in the unit; 0: not known
	judged  bool
	seen    int // how many breaks came before its last point
}

func (b *building) take(c *record.CheckEnded, breaks []broken) {
	var now []string
	for _, one := range c.Results {
		name := nameOf(one.Name)
		if slices.Contains(now, name) {
			continue // a definition that weighs one load twice gives two results of a name: the first is drawn
		}
		now = append(now, name)
		g := b.series[name]
		if g == nil {
			g = &growing{}
			b.series[name] = g
		}
		g.take(c, one, breaks)
	}
	for _, old := range b.names {
		if !slices.Contains(now, old) {
			now = append(now, old)
		}
	}
	b.names = now
}

// nameOf is a result's name without what differs from check to check.
func nameOf(name string) string {
	name, _, _ = strings.Cut(name, ", with s taken")
	return name
}

// take adds a point, in a new phase where one begins.
func (g *growing) take(c *record.CheckEnded, one record.CheckResult, breaks []broken) {
	p := Point{At: c.Time(), Check: c.Check.ID, Why: c.Why, Value: one.Value, Verdict: one.Verdict, Warn: one.Warn, Limit: one.Limit, From: one.From}
	_, unit, _ := strings.Cut(one.Value, " ")
	if g.unit == "" {
		g.unit = unit
	}
	x, err := strconv.ParseFloat(strings.TrimSuffix(one.Exact, "…"), 64)
	p.X, p.Drawn = x, err == nil && unit == g.unit
	if begins, because := g.begins(c, one, breaks); begins {
		g.phases = append(g.phases, Phase{Because: because})
	}
	phase := &g.phases[len(g.phases)-1]
	phase.Points = append(phase.Points, p)
	phase.extend(one)
	g.judged = g.judged || one.Verdict != record.NotJudged
	g.hash, g.weights, g.d = c.Check.Hash, weightsOf(c), readability(c.Balance, g.unit)
}

// begins says whether a check is the first of a phase, and why.
func (g *growing) begins(c *record.CheckEnded, one record.CheckResult, breaks []broken) (bool, string) {
	because := ""
	for g.seen < len(breaks) && breaks[g.seen].before(c) {
		if act := breaks[g.seen].act; !strings.Contains(because, act) {
			because = strings.TrimPrefix(because+", "+act, ", ")
		}
		g.seen++
	}
	switch {
	case len(g.phases) == 0:
		return true, ""
	case because != "":
		return true, because
	case g.hash != c.Check.Hash:
		return true, "another definition"
	case one.Name == "mean" && g.weights != weightsOf(c):
		return true, "other weights" // a mean is what the weight weighs, and no error
	}
	return false, ""
}

// readability is that of a balance, where the values are in grams.
func readability(b record.Balance, unit string) float64 {
	d, err := metrology.ParseMass(b.Readability)
	if err != nil || unit != "g" {
		return 0
	}
	f, _ := d.Float64()
	return f
}

func weightsOf(c *record.CheckEnded) string {
	var ids []string
	for _, w := range c.Weights {
		ids = append(ids, w.ID)
	}
	slices.Sort(ids)
	return strings.Join(ids, " ")
}

// extend has the limits of a result drawn up to the last point.
func (p *Phase) extend(one record.CheckResult) {
	at := len(p.Points) - 1
	if n := len(p.Lines); n > 0 && p.Lines[n-1].Last == at-1 && p.Lines[n-1].LimitText == one.Limit && p.Lines[n-1].WarnText == one.Warn {
		p.Lines[n-1].Last = at
		return
	}
	limit, ok := number(one.Limit)
	if !ok {
		return
	}
	line := Line{First: at, Last: at, Limit: limit, LimitText: one.Limit, From: one.From}
	if warn, ok := number(one.Warn); ok && warn < limit {
		line.Warn, line.WarnText = warn, one.Warn
	} else {
		line.WarnText = one.Warn
	}
	p.Lines = append(p.Lines, line)
}

// Warns says whether the line has a warning limit of its own.
func (l Line) Warns() bool { return l.Warn > 0 && l.Warn < l.Limit }

// number is the number before the unit.
func number(s string) (float64, bool) {
	digits, _, _ := strings.Cut(s, " ")
	x, err := strconv.ParseFloat(strings.TrimSuffix(digits, "…"), 64)
	return x, err == nil
}

func (b *building) finish(definition string, now time.Time) (all []Series) {
	for _, name := range b.names {
		g := b.series[name]
		s := Series{Definition: definition, Result: name, Unit: g.unit, Phases: g.phases, Judged: g.judged}
		for i := range s.Phases {
			s.Phases[i].judge(kindOf(name), g.d)
			s.Phases[i].trend(kindOf(name), g.unit, now, i == len(s.Phases)-1)
		}
		all = append(all, s)
	}
	return all
}
