package statistics

import (
	"cmp"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

// Table is what was asked for.
type Table struct {
	Groups []*Group // by procedure, result, unit and what they are grouped by
	Runs   int      // that count
	// Runs that do not count, and why.
	Abandoned, Replaced, Unapproved int
}

// Group is the results of one name and unit of one procedure.
type Group struct {
	Procedure string
	Versions  []int // of the procedure, that the runs went by
	Result    string
	Label     string
	Unit      string // UCUM code; "1" for a bare number
	Of        string // what they are grouped by: a sample, a balance, a month; "": nothing, or more than one of it

	Points   []Point // in the order in which the runs ended
	Decimals int     // the most that a result has
	Excluded int     // weighings that are not used, of the runs in Points
	Without  int     // results that have no number
}

// Point is one result.
type Point struct {
	Run      string
	At       time.Time
	Value    *big.Rat
	Digits   string
	Verdict  string
	Allowed  bool // it is outside its limits, and somebody who may let the run go on with it
	Approved bool
}

// Table works out what was gathered.
func (g *Gather) Table() Table {
	var t Table
	groups := map[[4]string]*Group{}
	for _, id := range g.order {
		r := g.runs[id]
		switch state := r.standing(); {
		case state == record.RunAbandoned:
			t.Abandoned++
		case state == record.RunReplaced:
			t.Replaced++
		case g.wants.Approved && state != record.RunApproved:
			t.Unapproved++
		default:
			t.Runs++
			g.results(groups, r)
		}
	}
	for _, one := range groups {
		slices.Sort(one.Versions)
		t.Groups = append(t.Groups, one)
	}
	slices.SortFunc(t.Groups, func(a, b *Group) int {
		return cmp.Or(strings.Compare(a.Procedure, b.Procedure), strings.Compare(a.Result, b.Result), strings.Compare(a.Unit, b.Unit), strings.Compare(a.Of, b.Of))
	})
	return t
}

// results puts those of a run where they belong.
func (g *Gather) results(groups map[[4]string]*Group, r *Run) {
	seen := map[*Group]bool{}
	for i := range r.Results {
		x := &r.Results[i]
		if g.wants.Result != "" && x.Name != g.wants.Result || !g.isOf(r, x) {
			continue
		}
		key := [4]string{r.Procedure.Name, x.Name, x.Unit, g.of(r, x)}
		one := groups[key]
		if one == nil {
			one = &Group{Procedure: key[0], Result: key[1], Unit: key[2], Of: key[3]}
			groups[key] = one
		}
		one.Label = cmp.Or(x.Label, one.Label)
		if !slices.Contains(one.Versions, r.Procedure.Version) {
			one.Versions = append(one.Versions, r.Procedure.Version)
		}
		if !seen[one] {
			seen[one] = true
			one.Excluded += r.Excluded
		}
		one.add(r, x)
	}
}

// isOf says whether a result is of the sample and lot that are asked for: of an item of it or, where it is of the whole run, of a run that
// is about nothing else.
func (g *Gather) isOf(r *Run, x *record.RunResult) bool {
	return (g.wants.Sample == "" || sampleOf(r, x) == g.wants.Sample) && (g.wants.Lot == "" || lotOf(r, x) == g.wants.Lot)
}

// of is what a result is grouped by.
func (g *Gather) of(r *Run, x *record.RunResult) string {
	at, _ := r.Ended.There()
	switch g.wants.By {
	case BySample:
		return sampleOf(r, x)
	case ByLot:
		return lotOf(r, x)
	case ByBalance:
		if len(r.Balances) == 1 {
			return r.Balances[0]
		}
	case ByDay:
		return at.Format(time.DateOnly)
	case ByMonth:
		return at.Format("2006-01")
	case ByYear:
		return at.Format("2006")
	}
	return ""
}

func sampleOf(r *Run, x *record.RunResult) string {
	return only(r, x, func(i *record.RunItem) string { return i.Sample })
}

func lotOf(r *Run, x *record.RunResult) string {
	return only(r, x, func(i *record.RunItem) string { return i.Lot })
}

// only is what a result's item has or, where it is of the whole run, all of the run's items share; "": nothing that is one.
func only(r *Run, x *record.RunResult, has func(*record.RunItem) string) string {
	if x.Item != nil {
		return has(x.Item)
	}
	one := ""
	for i := range r.Items {
		if what := has(&r.Items[i]); i > 0 && what != one {
			return ""
		} else {
			one = what
		}
	}
	return one
}

// number is the form of a result that is one.
var number = regexp.MustCompile(`^[+-]?[0-9]{1,40}(\.[0-9]{1,30})?$`)

// add takes a result of a run.
func (o *Group) add(r *Run, x *record.RunResult) {
	value, ok := new(big.Rat), number.MatchString(x.Digits)
	if ok {
		value, ok = value.SetString(x.Digits)
	}
	if !ok {
		o.Without++
		return
	}
	if _, decimals, has := strings.Cut(x.Digits, "."); has {
		o.Decimals = max(o.Decimals, len(decimals))
	}
	o.Points = append(o.Points, Point{Run: r.ID, At: r.Ended.UTC.Time(), Value: value, Digits: x.Digits, Verdict: x.Verdict, Allowed: x.Allowed != "", Approved: r.standing() == record.RunApproved})
}

// N is how many values there are.
func (o *Group) N() int { return len(o.Points) }

// Values are all of them.
func (o *Group) Values() []*big.Rat {
	list := make([]*big.Rat, len(o.Points))
	for i := range o.Points {
		list[i] = o.Points[i].Value
	}
	return list
}

// Mean is exact; nil where there is no value.
func (o *Group) Mean() *big.Rat {
	m, err := metrology.Mean(o.Values())
	if err != nil {
		return nil
	}
	return m
}

// SD is the experimental standard deviation, with n − 1, of the results as they stand: samples that differ are in it. nil where there are
// fewer than two.
func (o *Group) SD() *big.Rat {
	s, err := metrology.SD(o.Values())
	if err != nil {
		return nil
	}
	return s
}

// CV is SD over the absolute value of the mean, in percent; nil where either is not there, or the mean is zero.
func (o *Group) CV() *big.Rat {
	mean, sd := o.Mean(), o.SD()
	if mean == nil || sd == nil || mean.Sign() == 0 {
		return nil
	}
	cv := new(big.Rat).Quo(sd, mean.Abs(mean))
	return cv.Mul(cv, big.NewRat(100, 1))
}

// Least and Most are the smallest and the largest, as they were reported; "": there is none.
func (o *Group) Least() string { return o.end(-1) }

// Most is the largest.
func (o *Group) Most() string { return o.end(1) }

func (o *Group) end(sign int) string {
	var end *Point
	for i := range o.Points {
		if p := &o.Points[i]; end == nil || p.Value.Cmp(end.Value) == sign {
			end = p
		}
	}
	if end == nil {
		return ""
	}
	return end.Digits
}

// Count is how many values have a verdict.
func (o *Group) Count(verdict string) (n int) {
	for _, p := range o.Points {
		if p.Verdict == verdict {
			n++
		}
	}
	return n
}

// The verdicts of a result, as gateway/procedure gives them.
const (
	Passed = "passed"
	Warned = "warned"
	Failed = "failed"
)

// Outside is the share of values outside their limits among those that have limits, in percent; nil where none has.
func (o *Group) Outside() *big.Rat {
	failed := o.Count(Failed)
	judged := failed + o.Count(Passed) + o.Count(Warned)
	if judged == 0 {
		return nil
	}
	return big.NewRat(int64(failed)*100, int64(judged))
}

// Approved is how many values are of runs that are approved.
func (o *Group) Approved() (n int) {
	for _, p := range o.Points {
		if p.Approved {
			n++
		}
	}
	return n
}

// Allowed is how many values are outside their limits and were let through by somebody who may.
func (o *Group) Allowed() (n int) {
	for _, p := range o.Points {
		if p.Allowed {
			n++
		}
	}
	return n
}

// Text writes a number with two decimals more than the results have, rounded half to even; "": there is none.
func (o *Group) Text(x *big.Rat) string {
	if x == nil {
		return ""
	}
	return metrology.Text(x, o.Decimals+2, metrology.HalfEven)
}

// Percent writes a share with two decimals; "": there is none.
func Percent(x *big.Rat) string {
	if x == nil {
		return ""
	}
	return metrology.Text(x, 2, metrology.HalfEven)
}

// VersionsText lists the versions of the procedure.
func (o *Group) VersionsText() string {
	list := make([]string, len(o.Versions))
	for i, v := range o.Versions {
		list[i] = strconv.Itoa(v)
	}
	return strings.Join(list, ", ")
}
