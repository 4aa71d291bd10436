package screens

import (
	"cmp"
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/charts"
	"weighpost/gateway/console"
)

// The control chart, in units of its own view box.
const (
	controlWidth  = 680.0
	controlHeight = 300.0
	controlLeft   = 74.0 // numbers of the scale
	controlRight  = 518.0
	controlTop    = 30.0 // what began each phase
	controlBottom = 258.0
	labelApart    = 15.0
	mostDrawn     = 60 // points: more would touch each other
)

// chartsView is every chart of a balance, by definition.
type chartsView struct {
	Groups []chartGroup
	Any    bool
}

type chartGroup struct {
	Definition string
	Charts     []controlChart
}

// controlChart is one result over time, as a picture and as a table.
type controlChart struct {
	ID, Title     string
	Open          bool // shown at once
	Judged        bool // it has limits of the definition
	Says          string
	Older         string // how many points are not drawn; ""
	Newest        []charts.Signal
	Width, Height float64
	Left, Right   float64
	Top, Bottom   float64
	Ticks         []controlTick
	Dates         []chartTick
	Phases        []controlPhase
	Lines         []controlLine
	Labels        []controlLabel
	Marks         []controlMark
	Rows          []controlRow // newest first
	Control       string
	Provisional   bool
	Trend         *charts.Trend
	Unit          string
}

type controlTick struct {
	Y     float64
	Label string
}

// controlPhase is where a phase begins, and the line through its points.
type controlPhase struct {
	X       float64
	Because string  // "" for the first that is drawn, if it began before
	Above   float64 // where Because is written; 0: there is no room for it, and the table says it
	Path    string
}

type controlLine struct {
	X1, X2, Y float64
	Kind      string // limit, warn, control, centre
}

// controlLabel names a line at its right end. At is where the line is, Y where there is room.
type controlLabel struct {
	At, Y      float64
	Kind, Text string
}

// Leads is the short line from the limit to its label.
func (l controlLabel) Leads() string {
	return fmt.Sprintf("M%g %gL%g %g", controlRight, l.At, controlRight+10, l.Y)
}

type controlMark struct {
	X, Y    float64
	Verdict string // as a class: passed, warned, failed, not-judged
	Signal  bool
	Says    string
	Link    string
	Last    bool // it is the one that Tab comes to
}

type controlRow struct {
	charts.Point
	Class, Shape, Link string
	Number             string
	Begins             string // the phase begins here: because of what
	First              bool
}

// chartsOf draws what the checks of a balance found. Templates call it with what the page of a balance's fitness has.
func chartsOf(v console.FitnessView) chartsView {
	return drawCharts(v.Balance.ID, charts.Of(v.Checks, v.Upkeep, time.Now()))
}

func drawCharts(balance string, all []charts.Series) (view chartsView) {
	for i, s := range all {
		if n := len(view.Groups); n == 0 || view.Groups[n-1].Definition != s.Definition {
			view.Groups = append(view.Groups, chartGroup{Definition: s.Definition})
		}
		g := &view.Groups[len(view.Groups)-1]
		c := drawChart(balance, s)
		c.ID = "chart-" + strconv.Itoa(i+1)
		g.Charts = append(g.Charts, c)
	}
	for _, g := range view.Groups {
		slices.SortStableFunc(g.Charts, func(a, b controlChart) int { return cmp.Compare(judgedFirst(a), judgedFirst(b)) })
		for i := range g.Charts {
			g.Charts[i].Open = i == 0 || len(g.Charts[i].Newest) > 0
		}
	}
	view.Any = len(all) > 0
	return view
}

// judgedFirst puts results that have a limit before those that only tell.
func judgedFirst(c controlChart) int {
	if c.Judged {
		return 0
	}
	return 1
}

// newestOf cuts a series down to its newest points.
func newestOf(phases []charts.Phase) (kept []charts.Phase, points, of int) {
	for i := len(phases) - 1; i >= 0; i-- {
		p := phases[i]
		of += len(p.Points)
		room := mostDrawn - points
		if room <= 0 {
			continue
		}
		if cut := len(p.Points) - room; cut > 0 {
			p.Points, p.Because = p.Points[cut:], ""
			var lines []charts.Line
			for _, l := range p.Lines {
				if l.Last >= cut {
					l.First, l.Last = max(0, l.First-cut), l.Last-cut
					lines = append(lines, l)
				}
			}
			p.Lines = lines
		}
		points += len(p.Points)
		kept = append(kept, p)
	}
	slices.Reverse(kept)
	return kept, points, of
}

// drawChart draws one series.
func drawChart(balance string, s charts.Series) controlChart {
	phases, points, of := newestOf(s.Phases)
	c := controlChart{Title: s.Result, Judged: s.Judged, Unit: s.Unit, Width: controlWidth, Height: controlHeight, Left: controlLeft, Right: controlRight, Top: controlTop, Bottom: controlBottom}
	scale := scaleFor(phases, s.OneSided())
	c.Ticks = scale.ticks()
	step := (controlRight - controlLeft) / float64(max(points, 2))
	at := 0
	for _, p := range phases {
		c.phase(balance, p, at, step, scale)
		at += len(p.Points)
	}
	if n := len(c.Marks); n > 0 {
		c.Marks[n-1].Last = true
	}
	slices.Reverse(c.Rows)
	last := phases[len(phases)-1]
	c.labels(last, scale, s.OneSided())
	roomFor(c.Phases)
	c.Dates = datesOf(phases, step)
	c.words(s, last, points, of)
	return c
}

// words say what the chart says.
func (c *controlChart) words(s charts.Series, last charts.Phase, points, of int) {
	newest := last.Points[len(last.Points)-1]
	c.Newest = newest.Signals
	c.Says = fmt.Sprintf("%s, %s. The newest is %s of %s: %s.", one(of, "point", "points"), one(len(s.Phases), "phase", "phases"), newest.Value, at(newest.At), newest.Verdict)
	if of > points {
		c.Older = fmt.Sprintf("The newest %d of %d points are drawn.", points, of)
	}
	c.Control, c.Trend = last.NoControl, last.Trend
	if last.Control != nil {
		c.Control, c.Provisional = last.Control.Says, last.Control.Provisional
	}
}

// phase draws one phase, whose first point is so many points from the left.
func (c *controlChart) phase(balance string, p charts.Phase, at int, step float64, scale controlScale) {
	x := func(i int) float64 { return tenth(controlLeft + (float64(at+i)+0.5)*step) }
	from, to := tenth(controlLeft+float64(at)*step), tenth(controlLeft+float64(at+len(p.Points))*step)
	one := controlPhase{X: from, Because: p.Because}
	pen := "M"
	for i, point := range p.Points {
		row := controlRow{Point: point, Class: strings.ReplaceAll(point.Verdict, " ", "-"), Shape: verdictLook(point.Verdict).Shape, Number: checkNumber(point.Check), First: i == 0, Begins: p.Because}
		row.Link = "/balances/" + url.PathEscape(balance) + "/checks/" + url.PathEscape(row.Number)
		c.Rows = append(c.Rows, row)
		if !point.Drawn {
			continue
		}
		y := scale.y(point.X)
		one.Path += fmt.Sprintf("%s%g %g", pen, x(i), y)
		pen = "L"
		c.Marks = append(c.Marks, controlMark{X: x(i), Y: y, Verdict: row.Class, Signal: len(point.Signals) > 0, Says: pointWords(point), Link: row.Link})
	}
	c.Phases = append(c.Phases, one)
	for _, l := range p.Lines {
		x1, x2 := tenth(x(l.First)-step/2), tenth(x(l.Last)+step/2)
		for _, side := range scale.sides {
			c.line(scale, x1, x2, side*l.Limit, "limit")
			if l.Warns() {
				c.line(scale, x1, x2, side*l.Warn, "warn")
			}
		}
	}
	if p.Control != nil {
		c.line(scale, from, to, p.Control.Centre, "centre")
		c.line(scale, from, to, p.Control.High, "control")
		c.line(scale, from, to, p.Control.Low, "control")
	}
}

// line draws a limit, where it is within the picture.
func (c *controlChart) line(scale controlScale, x1, x2, value float64, kind string) {
	if value >= scale.low && value <= scale.high {
		c.Lines = append(c.Lines, controlLine{x1, x2, scale.y(value), kind})
	}
}

// labels name the lines of the newest phase at their right end, and those that are outside of the picture at its edge.
func (c *controlChart) labels(p charts.Phase, scale controlScale, oneSided bool) {
	add := func(value float64, kind, text string) {
		switch {
		case value > scale.high:
			c.Labels = append(c.Labels, controlLabel{controlTop, controlTop, kind, text + " ↑"})
		case value < scale.low:
			c.Labels = append(c.Labels, controlLabel{controlBottom, controlBottom, kind, text + " ↓"})
		default:
			c.Labels = append(c.Labels, controlLabel{scale.y(value), scale.y(value), kind, text})
		}
	}
	if n := len(p.Lines); n > 0 {
		l := p.Lines[n-1]
		for _, side := range scale.sides {
			sign := map[bool]string{true: "−", false: ""}[side < 0]
			add(side*l.Limit, "limit", "limit "+scale.named(side*l.Limit, sign+l.LimitText))
			if l.Warns() {
				add(side*l.Warn, "warn", "warning "+scale.named(side*l.Warn, sign+l.WarnText))
			}
		}
	}
	if p.Control != nil {
		add(p.Control.Centre, "centre", "centre "+scale.short(p.Control.Centre))
		add(p.Control.High, "control", "control "+scale.short(p.Control.High))
		if !oneSided || p.Control.Low > 0 {
			add(p.Control.Low, "control", "control "+scale.short(p.Control.Low))
		}
	}
	spread(c.Labels)
}

// spread moves labels apart that would lie on each other.
func spread(labels []controlLabel) {
	slices.SortStableFunc(labels, func(a, b controlLabel) int { return cmp.Compare(a.At, b.At) })
	for i := 1; i < len(labels); i++ {
		labels[i].Y = max(labels[i].Y, labels[i-1].Y+labelApart)
	}
	if n := len(labels); n > 0 && labels[n-1].Y > controlBottom+8 {
		labels[n-1].Y = controlBottom + 8
		for i := n - 2; i >= 0; i-- {
			labels[i].Y = min(labels[i].Y, labels[i+1].Y-labelApart)
		}
	}
}

// roomFor writes what began each phase in one of two rows, where none lies on another.
func roomFor(phases []controlPhase) {
	const letter, apart = 7.5, 8 // how wide one is at most, in the size that they are written in
	rows := []struct{ y, taken float64 }{{24, 0}, {11, 0}}
	for i, p := range phases {
		for n := range rows {
			if row := &rows[n]; p.Because != "" && p.X+4 >= row.taken {
				phases[i].Above, row.taken = row.y, p.X+4+letter*float64(len([]rune(p.Because)))+apart
				break
			}
		}
	}
}

// datesOf are the days of the first point, the last, and some between.
func datesOf(phases []charts.Phase, step float64) (list []chartTick) {
	var all []time.Time
	for _, p := range phases {
		for _, one := range p.Points {
			all = append(all, one.At)
		}
	}
	every, last := max(1, (len(all)+3)/4), ""
	for i := 0; i < len(all); i += every {
		label := all[i].Local().Format(time.DateOnly)
		if label != last {
			list = append(list, chartTick{tenth(controlLeft + (float64(i)+0.5)*step), label, "start"})
		}
		last = label
	}
	return list
}

func tenth(x float64) float64 { return math.Round(x*10) / 10 }

// controlScale is from where to where a chart goes.
type controlScale struct {
	low, high float64
	sides     []float64 // of the limits: above and below, or above alone
}

// scaleFor has all points and control limits in the picture, and the limits of the definition unless they are so far off that the points would
// lie on one line.
func scaleFor(phases []charts.Phase, oneSided bool) controlScale {
	s := controlScale{low: math.Inf(1), high: math.Inf(-1), sides: []float64{1, -1}}
	take := func(x float64) { s.low, s.high = min(s.low, x), max(s.high, x) }
	limits := math.Inf(-1)
	for _, p := range phases {
		for _, one := range p.Points {
			if one.Drawn {
				take(one.X)
			}
		}
		if p.Control != nil {
			take(p.Control.High)
			take(p.Control.Low)
		}
		for _, l := range p.Lines {
			limits = max(limits, l.Limit)
		}
	}
	if math.IsInf(s.low, 1) {
		s.low, s.high = 0, 1
	}
	if oneSided {
		s.sides = s.sides[:1]
		take(0)
	}
	if span := s.high - s.low; limits > 0 && (span == 0 || limits < 5*max(span, math.Abs(s.low), math.Abs(s.high))) {
		for _, side := range s.sides {
			take(side * limits)
		}
	}
	span := s.high - s.low
	if span == 0 {
		span = max(math.Abs(s.high), 1e-6)
	}
	s.high += 0.06 * span
	if !oneSided || s.low < 0 {
		s.low -= 0.06 * span
	}
	return s
}

func (s controlScale) y(x float64) float64 {
	return tenth(controlBottom - (x-s.low)/(s.high-s.low)*(controlBottom-controlTop))
}

// step is the distance of two numbers of the scale, with how many decimals they take.
func (s controlScale) step() (step float64, decimals int) {
	tens := math.Floor(math.Log10((s.high - s.low) / 3))
	step = math.Pow(10, tens)
	for _, f := range []float64{5, 2} {
		if (s.high-s.low)/(step*f) >= 3 {
			step *= f
			break
		}
	}
	return step, max(0, -int(tens))
}

func (s controlScale) ticks() (list []controlTick) {
	step, decimals := s.step()
	for i := math.Ceil(s.low / step); i*step <= s.high && len(list) < 12; i++ {
		list = append(list, controlTick{s.y(i * step), fixed(i*step, decimals)})
	}
	return list
}

// short writes a number that was worked out, with a decimal more than the scale has.
func (s controlScale) short(x float64) string {
	_, decimals := s.step()
	return fixed(x, decimals+1)
}

// mostNamed is how many characters of a limit there is room for beside the picture.
const mostNamed = 13

// named is a limit as it was written, or, where that is too long to stand beside the picture, about what it is: the table has it in full.
func (s controlScale) named(x float64, written string) string {
	if len([]rune(written)) > mostNamed {
		return "≈ " + s.short(x)
	}
	return written
}

func fixed(x float64, decimals int) string {
	text := strconv.FormatFloat(math.Abs(x), 'f', decimals, 64)
	if x < 0 && strings.Trim(text, "0.") != "" {
		return "−" + text
	}
	return text
}

// pointWords are what is said of a point to somebody who does not see it.
func pointWords(p charts.Point) string {
	words := fmt.Sprintf("%s: %s, %s", at(p.At), p.Value, p.Verdict)
	if p.Why != "" {
		words += ", " + p.Why
	}
	if p.Watch != nil {
		words += ", " + p.Watch.Beside()
	}
	for _, s := range p.Signals {
		words += "; signal: " + s.Rule
	}
	return words + ". Check " + checkNumber(p.Check) + "."
}
