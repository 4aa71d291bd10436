package screens

import (
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// calendar is a lab on Wednesday 2026-11-25, with something due in every part of the page.
func calendar(now time.Time) (views []console.FitnessView, weights []console.WeightView) {
	moment := func(days, hour int) record.UTC {
		return record.UTC(time.Date(now.Year(), now.Month(), now.Day()+days, hour, 0, 0, 0, now.Location()))
	}
	last := moment(-8, 9)
	date := func(days int) string { return moment(days, 0).Time().In(now.Location()).Format(time.DateOnly) }
	calibrated := func(days int, number string) *record.Upkeep {
		u := &record.Upkeep{Act: record.Calibrated, Calibration: &record.Calibration{Certificate: record.Certificate{Number: number, Due: date(days)}}}
		u.Stamp.UTC = moment(-300, 8)
		return u
	}
	old := calibrated(-400, "K-0")
	old.Stamp.UTC = moment(-700, 8)
	views = []console.FitnessView{
		{Balance: record.Balance{ID: "b-12"}, Fitness: record.Fitness{State: record.CheckOverdue}, Upkeep: []*record.Upkeep{calibrated(3, "K-12"), old}, Schedule: []console.CheckDue{
			{Check: "daily", Due: moment(-2, 0), Overdue: moment(-1, 0), Last: &last, State: record.CheckOverdue},
			{Check: "corners", Due: moment(20, 0), Overdue: moment(21, 0), Last: &last, State: record.InService}}},
		{Balance: record.Balance{ID: "b-13"}, Fitness: record.Fitness{State: record.OutOfService}, Upkeep: []*record.Upkeep{calibrated(-1, "K-13")}, Schedule: []console.CheckDue{
			{Check: "daily", Due: moment(-1, 0), Overdue: moment(1, 0), Because: record.Moved, State: record.CheckDue},
			{Check: "scatter", Due: moment(2, 6), Overdue: moment(9, 6), State: record.InService},
			{Check: "span", Due: moment(5, 0), Overdue: moment(9, 6), State: record.InService}}},
		{Balance: record.Balance{ID: "b-<14>"}, Fitness: record.Fitness{State: record.FitnessUnknown}},
	}
	for id, due := range map[string]int{"f1-200a": 0, "f1-100a": -30, "f1-50a": 90} {
		w := console.WeightView{}
		w.ID, w.Nominal, w.Certificate = id, "200 g", &record.Certificate{Number: "W-1", Due: date(due)}
		weights = append(weights, w)
	}
	weights = append(weights, console.WeightView{ReferenceWeight: record.ReferenceWeight{ID: "bare"}},
		console.WeightView{ReferenceWeight: record.ReferenceWeight{ID: "endless", Certificate: &record.Certificate{}}},
		console.WeightView{ReferenceWeight: record.ReferenceWeight{ID: "gone", Withdrawn: true}})
	return views, weights
}

func itemsOf(items []dueItem) string {
	var all []string
	for _, i := range items {
		all = append(all, i.Of+" "+i.What+" ("+i.State+")")
	}
	return strings.Join(all, ", ")
}

// TestWhatIsDueStandsWhereItBelongs holds every part of the calendar, in a time zone of its own, and that nothing is lost.
func TestWhatIsDueStandsWhereItBelongs(t *testing.T) {
	zone := time.FixedZone("", 9*3600)
	now := time.Date(2026, 11, 25, 6, 30, 0, 0, zone) // still the 24th in UTC
	views, weights := calendar(now)
	d := dueOf(views, weights, now, func(id string) bool { return id == "b-12" })
	for what, pair := range map[string][2]string{
		"overdue": {itemsOf(d.Overdue), "f1-100a certificate of the reference weight (overdue), b-12 check daily (overdue), b-13 calibration certificate (overdue)"},
		"today":   {itemsOf(d.Today.Items), "b-13 check daily (due), f1-200a certificate of the reference weight (due)"},
	} {
		if pair[0] != pair[1] {
			t.Errorf("%s: %s", what, pair[0])
		}
	}
	var week []string
	for _, day := range d.Week {
		week = append(week, day.Name()+": "+itemsOf(day.Items))
	}
	if got := strings.Join(week, "\n"); got != "Thursday 2026-11-26: \nFriday 2026-11-27: b-13 check scatter (in service)\nSaturday 2026-11-28: b-12 calibration certificate (in service)\nSunday 2026-11-29: " {
		t.Errorf("this week: %s", got)
	}
	var later []string
	for _, w := range d.Later {
		later = append(later, w.Name+": "+itemsOf(w.Items))
	}
	// Week 49 is that of Monday 2026-11-30 (ISO 8601: week 1 holds the first Thursday of the year, 2026-01-01).
	if got := strings.Join(later, "\n"); got != "Week 49 of 2026: 2026-11-30 to 2026-12-06: b-13 check span (in service)\nWeek 51 of 2026: 2026-12-14 to 2026-12-20: b-12 check corners (in service)\nWeek 8 of 2027: 2027-02-22 to 2027-02-28: f1-50a certificate of the reference weight (in service)" {
		t.Errorf("later: %s", got)
	}
	if len(d.Unsaid) != 4 {
		t.Errorf("without a day: %+v", d.Unsaid)
	}
	for _, one := range append(d.Overdue, d.Today.Items...) {
		if strings.HasPrefix(one.What, "check") && (one.Check != "") != (one.Of == "b-12") {
			t.Errorf("%s: offered %q", one.Of, one.Check)
		}
	}
	// On a Sunday there is no rest of the week, and Monday is later.
	sunday := time.Date(2026, 11, 29, 12, 0, 0, 0, zone)
	if d := dueOf(views, weights, sunday, func(string) bool { return false }); len(d.Week) != 0 {
		t.Errorf("%+v", d.Week)
	}
}

// TestEveryDayOfAYearHasItsPlace: whatever day it is, a check that is due on any of the next 30 days stands in exactly one place.
func TestEveryDayOfAYearHasItsPlace(t *testing.T) {
	for n := range 366 {
		now := time.Date(2026, 1, 1+n, 23, 59, 0, 0, time.Local)
		v := console.FitnessView{Balance: record.Balance{ID: "b-1"}}
		for k := range 30 {
			v.Schedule = append(v.Schedule, console.CheckDue{Check: fmt.Sprint("c", k), Due: record.UTC(dayOf(now).AddDate(0, 0, k)), State: record.InService})
		}
		d := dueOf([]console.FitnessView{v}, nil, now, func(string) bool { return false })
		placed := len(d.Overdue) + len(d.Today.Items)
		for _, day := range d.Week {
			placed += len(day.Items)
			if len(day.Items) != 1 {
				t.Fatalf("%s: %s has %d", now, day.Name(), len(day.Items))
			}
		}
		for _, w := range d.Later {
			placed += len(w.Items)
			if len(w.Items) > 7 {
				t.Fatalf("%s: %s has %d", now, w.Name, len(w.Items))
			}
		}
		if placed != 30 || len(d.Today.Items) != 1 {
			t.Fatalf("%s: %d placed, %d today", now, placed, len(d.Today.Items))
		}
	}
}

// schedules is a lab that has nothing but what is due.
type schedules struct {
	console.Fitness
	views   []console.FitnessView
	weights []console.WeightView
}

func (s schedules) AllFitness() []console.FitnessView      { return s.views }
func (s schedules) ReferenceWeights() []console.WeightView { return s.weights }

// TestTheCalendarAsAPage: who is offered a check, hostile text, the empty lab, and a lab that checks nothing.
func TestTheCalendarAsAPage(t *testing.T) {
	views, weights := calendar(time.Now())
	l := newLab(t, Deps{Fitness: schedules{views: views, weights: weights}})
	status, body := l.get(t, "/due", as(rights.BalanceKeeper))
	for _, want := range []string{"Overdue (3)", `href="/bench/b-12/check"`, `href="/balances/b-13/fitness"`, `href="/weights/f1-100a"`, "after: move", "out of service", "b-&lt;14&gt;", "no check is scheduled", `aria-current="page">Due`, "never replace"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page has no %q", want)
		}
	}
	if status != http.StatusOK || strings.Contains(body, "b-<14>") || strings.Contains(body, "gone") {
		t.Error(status, "hostile text, or a weight that is withdrawn")
	}
	if _, body := l.get(t, "/due", as("")); strings.Contains(body, "/bench/b-12/check") {
		t.Error("somebody who may not check is offered it")
	}
	if _, body := newLab(t, Deps{Fitness: schedules{}}).get(t, "/due", as("")); !strings.Contains(body, "Nothing is due, now or later") {
		t.Error("an empty lab does not say what to do first")
	}
	if status, body := newLab(t, Deps{}).get(t, "/due", as("")); status != http.StatusOK || !strings.Contains(body, "not checked here") {
		t.Error(status, "a lab without checks")
	}
}

// TestWhatIsDueIsAskedForAnew: the part of the page that a script asks for is the same that the page has, and says from when it is.
func TestWhatIsDueIsAskedForAnew(t *testing.T) {
	views, weights := calendar(time.Now())
	f := schedules{views: views, weights: weights}
	l := newLab(t, Deps{Fitness: f})
	whole := l.fetch(t, "/due", as(rights.Operator))
	part := l.fetch(t, "/due?part=due", as(rights.Operator))
	for _, want := range []string{`data-part="due"`, "As it was at ", "Overdue (", "data-renewed"} {
		if !strings.Contains(whole, want) || !strings.Contains(part, want) {
			t.Errorf("the page or its part does not have %q", want)
		}
	}
	unchecked := newLab(t, Deps{Source: source{clock: console.Clock{State: record.ClockUnchecked}}, Fitness: f})
	if body := unchecked.fetch(t, "/due", as(rights.Operator)); !strings.Contains(body, "The clock is not checked") {
		t.Error("the page does not say that nobody has checked the clock")
	}
	if strings.Contains(part, "<nav") || !strings.Contains(whole, "due.js") {
		t.Error("the part is the whole page, or the page has no script that asks for it")
	}
}
