package screens

import (
	"cmp"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/rights"
)

func (s *Screens) statisticsPages() []row {
	return []row{{"/statistics", rights.ReadJournal, s.showStatistics}}
}

// statisticsPage is what the results of runs add up to.
type statisticsPage struct {
	Absent   bool
	Asked    url.Values
	Wrong    string // what is wrong with the question
	Told     string // why there is no answer
	View     console.StatisticsView
	Groups   []statisticsGroup
	CSV      string // address of the same as a file
	Narrowed bool
	Names    []console.ProcedureView
}

// statisticsGroup is one group with its picture.
type statisticsGroup struct {
	console.StatisticGroup
	ID    string
	Chart *valuesChart // nil: too few values for one
}

var statisticsBy = []choice{{"", "procedure and result alone"}, {"sample", "sample"}, {"lot", "lot"}, {"balance", "balance"}, {"day", "day"}, {"month", "month"}, {"year", "year"}}

// By are the ways in which results can be grouped.
func (p *statisticsPage) By() []choice { return statisticsBy }

// Get is what was asked for under a name.
func (p *statisticsPage) Get(name string) string { return p.Asked.Get(name) }

// Is says whether a word was asked for.
func (p *statisticsPage) Is(name, word string) bool { return p.Asked.Get(name) == word }

// pointsDrawn is how many values of a group the page shows, the last ones.
const pointsDrawn = 60

// showStatistics shows what the results of runs add up to.
func (s *Screens) showStatistics(w http.ResponseWriter, r *http.Request) {
	p := &statisticsPage{Absent: s.deps.Statistics == nil, Asked: r.URL.Query()}
	if !p.Absent {
		if s.deps.Procedures != nil {
			p.Names = s.deps.Procedures.Procedures()
		}
		asked, file, wrong := statisticsAsked(p.Asked)
		p.Narrowed = len(file) > 0
		if p.Wrong = wrong; wrong == "" {
			p.CSV = strings.TrimSuffix("/api/v1/statistics.csv?"+file.Encode(), "?")
			var err error
			if p.View, err = s.deps.Statistics.Statistics(r.Context(), asked); err != nil {
				p.Told = asSentence(err.Error())
			}
			for i, g := range p.View.Groups {
				p.Groups = append(p.Groups, statisticsGroup{g, "group-" + strconv.Itoa(i+1), drawValues(g)})
			}
		}
	}
	s.show(w, r, page{Template: "statistics.html", Title: "Statistics over runs", Place: "/runs", Data: p})
}

// statisticsAsked reads what is asked for, and gives what the API is asked for the same as a file. Days are those of this place, both included.
func statisticsAsked(q url.Values) (asked console.StatisticsAsked, file url.Values, wrong string) {
	asked, file = console.StatisticsAsked{Points: pointsDrawn}, url.Values{}
	for name, to := range map[string]*string{"by": &asked.By, "procedure": &asked.Procedure, "result": &asked.Result, "sample": &asked.Sample, "lot": &asked.Lot, "balance": &asked.Balance} {
		if *to = strings.TrimSpace(q.Get(name)); *to != "" {
			file.Set(name, *to)
		}
	}
	if !slices.ContainsFunc(statisticsBy, func(c choice) bool { return c.Value == asked.By }) {
		return asked, file, "Results are not grouped by " + asked.By + "."
	}
	for name, to := range map[string]*time.Time{"from": &asked.From, "to": &asked.To} {
		text := strings.TrimSpace(q.Get(name))
		if text == "" {
			continue
		}
		day, err := time.ParseInLocation(time.DateOnly, text, time.Local)
		if err != nil {
			return asked, file, "A day is written YYYY-MM-DD, such as 2026-11-30."
		}
		if name == "to" {
			day = day.AddDate(0, 0, 1)
		}
		*to = day
		file.Set(name, day.Format(time.RFC3339))
	}
	if asked.Approved = q.Get("approved") != ""; asked.Approved {
		file.Set("approved", "true")
	}
	return asked, file, ""
}

// Name is what people call the result.
func (g *statisticsGroup) Name() string { return cmp.Or(g.Label, spacedWords(g.Result)) }

// valuesChart is the values of a group in their order, in units of its own view box.
type valuesChart struct {
	Width, Height, Left, Right, Top, Bottom float64
	Mean, High, Low                         float64 // where the mean is, and one standard deviation above and below; High is 0 where there is none
	Span, Spread                            float64 // width and height of the band between them
	Path                                    string
	Marks                                   []valueMark
	Says                                    string
}

// valueMark is one value.
type valueMark struct {
	X, Y        float64
	Class, Says string
}

// drawValues draws the values of a group; nil: there are fewer than two, or no number to draw. It is a picture: no number is taken from it.
func drawValues(g console.StatisticGroup) *valuesChart {
	c := &valuesChart{Width: 640, Height: 180, Left: 10, Right: 630, Top: 16, Bottom: 164}
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			return math.NaN()
		}
		return x
	}
	mean, sd := number(g.Mean), number(g.SD)
	least, most := mean-sd, mean+sd
	var values []float64
	for _, p := range g.Points {
		x := number(p.Digits)
		values = append(values, x)
		least, most = min(least, x), max(most, x)
	}
	if len(values) < 2 || math.IsNaN(least) || math.IsNaN(most) || math.IsInf(most-least, 0) {
		return nil
	}
	if most == least {
		least, most = least-1, most+1
	}
	y := func(x float64) float64 { return math.Round((c.Bottom-(x-least)/(most-least)*(c.Bottom-c.Top))*10) / 10 }
	c.Mean, c.High, c.Low = y(mean), y(mean+sd), y(mean-sd)
	c.Span, c.Spread = c.Right-c.Left, math.Round((c.Low-c.High)*10)/10
	for i, x := range values {
		at := math.Round((c.Left+20+float64(i)*(c.Right-c.Left-40)/float64(len(values)-1))*10) / 10
		to := "L"
		if i == 0 {
			to = "M"
		}
		p := g.Points[i]
		c.Path += to + strconv.FormatFloat(at, 'f', -1, 64) + " " + strconv.FormatFloat(y(x), 'f', -1, 64)
		c.Marks = append(c.Marks, valueMark{at, y(x), styleWord(p.Verdict), strings.TrimSpace(p.Digits+" "+unitWord(g.Unit)) + ", run " + p.Run})
	}
	c.Says = "The last " + strconv.Itoa(len(values)) + " values in the order in which their runs ended, with their mean and one standard deviation above and below it. The table has the same values."
	return c
}

// styleWord makes of a word that may have blanks one that a style can name.
func styleWord(words string) string { return strings.ReplaceAll(words, " ", "-") }
