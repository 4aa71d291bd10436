package charts

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
)

var day0 = time.Date(2026, 1, 5, 7, 0, 0, 0, time.UTC)

// day is the morning of a day.
func day(n int) time.Time { return day0.AddDate(0, 0, n) }

// check is a check of one weight that ended, with an error in grams.
func check(n int, at time.Time, why string, x float64) *record.CheckEnded {
	verdict := record.CheckPassed
	if size := math.Abs(x); size > 0.0005 {
		verdict = record.CheckFailed
	} else if size > 0.00035 {
		verdict = record.CheckWarned
	}
	c := &record.CheckEnded{Check: record.CheckRef{ID: fmt.Sprintf("b-1/c%06d", n), Definition: "daily", Hash: "sha256:1"}, Why: why,
		Balance: record.Balance{ID: "b-1", Readability: "0.0001 g"}, Outcome: verdict,
		Results: []record.CheckResult{{Name: "error at 100 g", Value: fmt.Sprintf("%.5f g", x), Exact: fmt.Sprintf("%.9f", x), Warn: "0.00035 g", Limit: "0.0005 g", Verdict: verdict}}}
	c.Seq, c.Stamp.UTC = uint64(n), record.UTC(at)
	return c
}

func checksOf(x ...float64) (all []*record.CheckEnded) {
	for i, v := range x {
		all = append(all, check(i+1, day(i), record.CheckScheduled, v))
	}
	return all
}

func only(t *testing.T, all []Series) Series {
	t.Helper()
	if len(all) != 1 {
		t.Fatalf("%d series: %+v", len(all), all)
	}
	return all[0]
}

// TestAdjustThenPassHidesNothing: a check before an adjustment that failed is the last point of its phase, the one after it the first of the
// next, although the entry of the adjustment is written after both.
func TestAdjustThenPassHidesNothing(t *testing.T) {
	list := append(checksOf(0.0001, 0.0002), check(3, day(2), record.CheckAsFound, 0.0009), check(4, day(2).Add(time.Hour), record.CheckAsLeft, 0.0001), check(5, day(3), record.CheckScheduled, 0.0001))
	u := &record.Upkeep{Act: record.Adjusted, AsFound: "b-1/c000003", AsLeft: "b-1/c000004"}
	u.Stamp.UTC = record.UTC(day(2).Add(2 * time.Hour))
	clean := &record.Upkeep{Act: record.Serviced}
	clean.Stamp.UTC = record.UTC(day(1).Add(time.Hour))
	slices.Reverse(list) // in any order
	s := only(t, Of(list, []*record.Upkeep{u, clean}, day(4)))
	if len(s.Phases) != 2 || len(s.Phases[0].Points) != 3 || s.Phases[1].Because != record.Adjusted {
		t.Fatalf("%+v", s.Phases)
	}
	found := s.Phases[0].Points[2]
	if found.Why != record.CheckAsFound || found.Verdict != record.CheckFailed || found.Value != "0.00090 g" || found.X != 0.0009 {
		t.Errorf("as found: %+v", found)
	}
	if left := s.Phases[1].Points[0]; left.Check != "b-1/c000004" || left.Verdict != record.CheckPassed {
		t.Errorf("as left: %+v", left)
	}
	// Where the entry names no check after it, the phase begins with the next one after the entry.
	u.AsLeft = ""
	if s := only(t, Of(list, []*record.Upkeep{u}, day(4))); len(s.Phases) != 2 || s.Phases[1].Points[0].Check != "b-1/c000005" {
		t.Errorf("%+v", s.Phases)
	}
}

// TestWhatBeginsAPhase: each act on a balance but maintenance, another definition, and for a mean other weights.
func TestWhatBeginsAPhase(t *testing.T) {
	for act, phases := range map[string]int{record.Adjusted: 2, record.Moved: 2, record.Repaired: 2, record.Calibrated: 2, record.Serviced: 1} {
		u := &record.Upkeep{Act: act}
		u.Stamp.UTC = record.UTC(day(1).Add(time.Hour))
		if s := only(t, Of(checksOf(0, 0, 0), []*record.Upkeep{u}, day(3))); len(s.Phases) != phases {
			t.Errorf("%s: %d phases, not %d", act, len(s.Phases), phases)
		}
	}
	list := checksOf(0, 0, 0)
	list[2].Check.Hash = "sha256:2"
	if s := only(t, Of(list, nil, day(3))); len(s.Phases) != 2 || s.Phases[1].Because != "another definition" {
		t.Errorf("another definition: %+v", s.Phases)
	}
	list = checksOf(0, 0, 0)
	for i := range list {
		list[i].Results = append(list[i].Results, record.CheckResult{Name: "mean", Value: "100.00 g", Exact: "100", Verdict: record.NotJudged})
		list[i].Weights = []record.WeightUsed{{ReferenceWeight: record.ReferenceWeight{ID: fmt.Sprint("w-", i/2)}}}
	}
	if all := Of(list, nil, day(3)); len(all) != 2 || len(all[0].Phases) != 1 || len(all[1].Phases) != 2 || all[1].Phases[1].Because != "other weights" || all[1].Judged {
		t.Errorf("other weights: %+v", all)
	}
	if got := Of([]*record.CheckEnded{{Outcome: record.CheckAborted, Results: []record.CheckResult{}}}, nil, day(1)); got != nil {
		t.Errorf("a check without results is a series: %+v", got)
	}
}

// TestControlLimits come from the first points of a phase alone, are refused where there are too few, and are those of the handbook.
func TestControlLimits(t *testing.T) {
	// The flow rates of e-Handbook 6.3.2.2, of which the mean and the limits are printed there.
	x := []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	c, why := controlOf(x, kind{}, 0)
	if why != "" || math.Abs(c.Centre-50.81) > 1e-9 || math.Abs(c.High-55.8041) > 5e-5 || math.Abs(c.Low-45.8159) > 5e-5 || !c.Provisional {
		t.Errorf("%+v %s", c, why)
	}
	few := only(t, Of(checksOf(1e-4, 2e-4, 3e-4, 1e-4, 2e-4, 3e-4, 2e-4), nil, day(9))).Phases[0]
	if few.Control != nil || !strings.Contains(few.NoControl, "8") || !strings.Contains(few.NoControl, "7") || few.Points[6].Watch != nil {
		t.Errorf("seven points have limits: %+v", few)
	}
	// Twenty that scatter, and then a step: it moves no limit.
	var list []float64
	for i := range 20 {
		list = append(list, 1e-4*float64(i*7%5))
	}
	before := only(t, Of(checksOf(list...), nil, day(30))).Phases[0].Control
	after := only(t, Of(checksOf(append(list, 9e-4, 9e-4, 9e-4)...), nil, day(30))).Phases[0]
	if before.Provisional || *before != *after.Control || len(after.Points[22].Signals) == 0 {
		t.Errorf("%+v %+v", before, after.Control)
	}
	// Equal values: the scatter of rounding stands in, where the readability is known.
	equal := only(t, Of(checksOf(slices.Repeat([]float64{1e-4}, 9)...), nil, day(9))).Phases[0]
	if equal.Control == nil || !equal.Control.Floored || math.Abs(equal.Control.Sigma-1e-4/math.Sqrt(6)) > 1e-12 {
		t.Errorf("%+v %s", equal.Control, equal.NoControl)
	}
	if c, why := controlOf(slices.Repeat([]float64{1}, 9), kind{}, 0); c != nil || !strings.Contains(why, "equal") {
		t.Errorf("%+v %s", c, why)
	}
}

// TestStandardDeviationsHaveTheirOwnLimits: B3 and B4 for ten values are 0.284 and 1.716 (shewhart_constants.csv), and what follows from a
// standard deviation has none.
func TestStandardDeviationsHaveTheirOwnLimits(t *testing.T) {
	list := checksOf(make([]float64, 9)...)
	for i := range list {
		list[i].Results = []record.CheckResult{{Name: "standard deviation of 10", Value: "0.00010 g", Exact: "0.0001", Verdict: record.NotJudged},
			{Name: "2 s, with s taken as 0.41 d", Value: "0.000082 g", Exact: "0.000082", Verdict: record.CheckPassed, Limit: "0.001 g"}}
	}
	list[3].Results[1].Name = "2 s"
	all := Of(list, nil, day(9))
	if len(all) != 2 || all[1].Result != "2 s" || len(all[1].Phases[0].Points) != 9 || all[1].Phases[0].Control != nil {
		t.Fatalf("%+v", all)
	}
	c := all[0].Phases[0].Control
	if c == nil || math.Abs(c.Low-0.284e-4) > 5e-8 || math.Abs(c.High-1.716e-4) > 5e-8 || math.Abs(c.At(3)-c.High) > 1e-12 {
		t.Errorf("%+v", c)
	}
}

// TestSignalsAreTold: the rules by name at the point that completes them, in words, and the average and the sums beside them.
func TestSignalsAreTold(t *testing.T) {
	w := newWatch(metrology.Limits{Centre: 0, Sigma: 1})
	told := map[string]int{}
	for i := range 12 {
		_, found := w.add(1.2)
		for _, s := range found {
			if s.Says == "" {
				t.Errorf("%s has no meaning", s.Rule)
			}
			if told[s.Rule] == 0 {
				told[s.Rule] = i + 1
			}
		}
	}
	// 0.7 more a point than the allowance of 0.5: beyond 5 with the eighth. The average is 1.2·(1 − 0.75ⁿ) and its limit
	// 3·√(1/7·(1 − 0.75²ⁿ)): 1.1099 and 1.1307 at the ninth, 1.1324 and 1.1321 at the tenth.
	for rule, at := range map[string]int{string(metrology.FourOf5): 5, string(metrology.EightSide): 8, SumAbove: 8, AverageSignal: 10} {
		if told[rule] != at {
			t.Errorf("%s: told at %d, not %d: %v", rule, told[rule], at, told)
		}
	}
	if len(Rules()) != 9 {
		t.Errorf("%d rules", len(Rules()))
	}
	p, _ := w.add(-2.04)
	if p.Beside() != "2.0 standard deviations below the centre" {
		t.Error(p.Beside())
	}
}

// TestForecasts: only of what is sure, to the limit that comes next, and none where the line is beyond it.
func TestForecasts(t *testing.T) {
	line := func(from, step float64, n int) (x []float64) {
		for i := range n {
			x = append(x, from+step*float64(i)+1e-6*float64(i%2))
		}
		return x
	}
	last := func(x []float64, now time.Time) *Trend { return only(t, Of(checksOf(x...), nil, now)).Phases[0].Trend }
	if got := last(line(0, 1e-5, 20), day(20)); !got.Sure || got.Reaches.Format(time.DateOnly) != "2026-02-09" || got.Limit != "0.00035 g" {
		t.Errorf("to the warning limit: %+v", got) // 0.00035 after 35 days, less what the wobble adds
	}
	if got := last(line(0.00036, 1e-5, 10), day(10)); got.Limit != "0.0005 g" || got.Reaches.Before(day(13)) || got.Reaches.After(day(15)) {
		t.Errorf("beyond the warning limit: %+v", got)
	}
	if got := last(line(-0.0001, -1e-5, 10), day(10)); !strings.Contains(got.Says, "drift by −0.00001") || got.Reaches.Format(time.DateOnly) != "2026-01-30" {
		t.Errorf("downwards: %+v", got)
	}
	if got := last(line(0.0009, 1e-5, 10), day(10)); !got.Reaches.IsZero() || !strings.Contains(got.Says, "already") {
		t.Errorf("already beyond: %+v", got)
	}
	if got := last(line(0, 1e-8, 12), day(12)); !got.Reaches.IsZero() {
		t.Errorf("a drift below the wobble: %+v", got)
	}
	if got := last([]float64{3e-4, -3e-4, 3e-4, -3e-4, 3e-4, -3e-4, 3e-4, -3e-4}, day(8)); got.Sure || !got.Reaches.IsZero() {
		t.Errorf("chance: %+v", got)
	}
	if got := last(line(0, 1e-5, 7), day(7)); got != nil {
		t.Errorf("seven points: %+v", got)
	}
}

// TestNoForecastBelowZero: a standard deviation that falls is a drift, and comes to no limit: it has none below.
func TestNoForecastBelowZero(t *testing.T) {
	var x []float64
	for i := range 20 {
		x = append(x, 3e-4-1e-5*float64(i)+1e-6*float64(i%2))
	}
	list := checksOf(x...)
	for i := range list {
		list[i].Results[0].Name = "standard deviation of 10"
	}
	if got := only(t, Of(list, nil, day(20))).Phases[0].Trend; got == nil || !got.Sure || !got.Reaches.IsZero() || strings.Contains(got.Says, "limit") {
		t.Errorf("%+v", got)
	}
}

// TestLinesFollowTheirPoints: a limit that changes within a phase is a line of its own, and what has another unit is not drawn.
func TestLinesFollowTheirPoints(t *testing.T) {
	list := checksOf(1e-4, 1e-4, 1e-4, 1e-4)
	list[2].Results[0].Limit, list[3].Results[0].Limit = "0.0006 g", "0.0006 g"
	list[1].Results[0].Value = "0.1 mg"
	p := only(t, Of(list, nil, day(4))).Phases[0]
	if len(p.Lines) != 2 || p.Lines[0].Last != 1 || p.Lines[1].First != 2 || p.Lines[1].Last != 3 || p.Lines[1].Limit != 0.0006 || !p.Lines[0].Warns() {
		t.Errorf("%+v", p.Lines)
	}
	if p.Points[1].Drawn || !p.Points[2].Drawn || p.Points[1].Value != "0.1 mg" {
		t.Errorf("%+v", p.Points[1])
	}
}
