package screens

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// dueItem is one thing that is due at a time, or on a day.
type dueItem struct {
	State string // record.InService, CheckDue or CheckOverdue
	At    time.Time
	Hour  bool   // At is a moment, and not only a day
	What  string // "check daily", "calibration certificate"
	Of    string // the id of the balance or the weight
	Also  string // more about it; ""
	Note  string // what holds beside it: the balance is out of service
	Link  string
	Check string // where the check is begun; "" for whoever may not, and for certificates
}

// Look is how that is shown.
func (i dueItem) Look() fitLook {
	look := lookOf(i.State)
	switch i.State {
	case record.CheckOverdue:
		look.Word = "overdue"
	case record.CheckDue:
		look.Word = "due"
	default:
		look.Word = "not due yet"
	}
	return look
}

// dueDay is a day with what is due then.
type dueDay struct {
	Day   time.Time
	Items []dueItem
}

// Name is the day of the week and the date.
func (d dueDay) Name() string { return d.Day.Format("Monday 2006-01-02") }

// dueWeek is a week by ISO 8601, with what is due then.
type dueWeek struct {
	Name  string // "Week 50: 2026-12-07 to 2026-12-13"
	Items []dueItem
}

// dueData is what is due over the lab.
type dueData struct {
	Today   dueDay
	Overdue []dueItem
	Week    []dueDay // from tomorrow to Sunday
	Later   []dueWeek
	Unsaid  []dueUnsaid // what nobody can know to be due
	Absent  bool
	Nothing bool
	At      time.Time // when it was so
	Clock   string    // what is to be said of the clock; ""
}

// dueUnsaid is what has no day, and why.
type dueUnsaid struct{ Of, Why, Link string }

// showDue answers: what has to be checked, and when?
func (s *Screens) showDue(w http.ResponseWriter, r *http.Request) {
	d := &dueData{Absent: s.deps.Fitness == nil}
	if !d.Absent {
		who := s.who(r)
		may := func(balance string) bool { return who.CanAt(string(rights.Check), balance) }
		now, clock := s.deps.Now()
		d = dueOf(s.deps.Fitness.AllFitness(), s.deps.Fitness.ReferenceWeights(), now, may)
		if d.At = now; clock != record.ClockChecked {
			d.Clock = "The clock is not checked: what is due, and when, may be wrong."
		}
	}
	if s.parts(w, r, "due.html", d) {
		return
	}
	s.show(w, r, page{Template: "due.html", Title: "What is due", Place: "/due", Scripts: []string{"due.js"}, Data: d})
}

// dueOf puts what is due into its days and weeks, in the time zone of now.
func dueOf(balances []console.FitnessView, weights []console.WeightView, now time.Time, mayCheck func(string) bool) *dueData {
	d := &dueData{Today: dueDay{Day: dayOf(now)}}
	var all []dueItem
	for _, v := range balances {
		all = append(all, checksDue(v, now, mayCheck)...)
		all = append(all, d.calibrationDue(v, now)...)
	}
	for _, w := range weights {
		all = append(all, d.weightDue(w, now)...)
	}
	slices.SortStableFunc(all, func(a, b dueItem) int {
		return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Of, b.Of), strings.Compare(a.What, b.What))
	})
	d.Nothing = len(all) == 0
	sunday := d.Today.Day.AddDate(0, 0, (7-int(d.Today.Day.Weekday()))%7)
	for day := d.Today.Day.AddDate(0, 0, 1); !day.After(sunday); day = day.AddDate(0, 0, 1) {
		d.Week = append(d.Week, dueDay{Day: day})
	}
	for _, one := range all {
		d.put(one, sunday)
	}
	return d
}

func dayOf(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location())
}

// put puts an item where it belongs.
func (d *dueData) put(one dueItem, sunday time.Time) {
	day := dayOf(one.At)
	switch {
	case one.State == record.CheckOverdue:
		d.Overdue = append(d.Overdue, one)
	case !day.After(d.Today.Day):
		d.Today.Items = append(d.Today.Items, one)
	case !day.After(sunday):
		i := slices.IndexFunc(d.Week, func(other dueDay) bool { return other.Day.Equal(day) })
		d.Week[i].Items = append(d.Week[i].Items, one)
	default:
		year, week := day.ISOWeek()
		monday := day.AddDate(0, 0, -(int(day.Weekday())+6)%7)
		name := fmt.Sprintf("Week %d of %d: %s to %s", week, year, monday.Format(time.DateOnly), monday.AddDate(0, 0, 6).Format(time.DateOnly))
		if n := len(d.Later); n == 0 || d.Later[n-1].Name != name {
			d.Later = append(d.Later, dueWeek{Name: name})
		}
		last := &d.Later[len(d.Later)-1]
		last.Items = append(last.Items, one)
	}
}

// checksDue are the checks of a balance. What is due counts as due until it is overdue, and stands under today as long.
func checksDue(v console.FitnessView, now time.Time, mayCheck func(string) bool) (all []dueItem) {
	id := url.PathEscape(v.Balance.ID)
	for _, c := range v.Schedule {
		if c.Due.Time().IsZero() {
			continue
		}
		one := dueItem{State: c.State, At: c.Due.Time().In(now.Location()), Hour: true, What: "check " + c.Check, Of: v.Balance.ID, Link: "/balances/" + id + "/fitness"}
		switch {
		case c.Because != "":
			one.Also = "after: " + c.Because
		case c.Last == nil:
			one.Also = "never passed yet"
		}
		if c.State == record.CheckDue {
			one.Also = strings.TrimPrefix(one.Also+"; overdue from "+at(c.Overdue), "; ")
		}
		if v.Fitness.State == record.OutOfService || v.Fitness.State == record.InCheck {
			one.Note = v.Fitness.State
		}
		if mayCheck(v.Balance.ID) {
			one.Check = "/bench/" + id + "/check"
		}
		all = append(all, one)
	}
	return all
}

// calibrationDue is the last certificate of a balance. A balance without one is named as such.
func (d *dueData) calibrationDue(v console.FitnessView, now time.Time) []dueItem {
	link := "/balances/" + url.PathEscape(v.Balance.ID) + "/fitness"
	if len(v.Schedule) == 0 {
		d.Unsaid = append(d.Unsaid, dueUnsaid{v.Balance.ID, "no check is scheduled", link})
	}
	var newest *record.Upkeep
	for _, u := range v.Upkeep {
		if u.Act == record.Calibrated && u.Calibration != nil && (newest == nil || u.Time().After(newest.Time())) {
			newest = u
		}
	}
	if newest == nil {
		d.Unsaid = append(d.Unsaid, dueUnsaid{v.Balance.ID, "no calibration certificate is registered", link})
		return nil
	}
	return d.certificate(newest.Calibration.Certificate, dueItem{What: "calibration certificate", Of: v.Balance.ID, Link: link}, now)
}

// weightDue is the certificate of a reference weight that is in use.
func (d *dueData) weightDue(w console.WeightView, now time.Time) []dueItem {
	link := "/weights/" + url.PathEscape(w.ID)
	switch {
	case w.Withdrawn:
		return nil
	case w.Certificate == nil:
		d.Unsaid = append(d.Unsaid, dueUnsaid{w.ID, "a reference weight without a certificate", link})
		return nil
	}
	what := "certificate of the reference weight"
	return d.certificate(*w.Certificate, dueItem{What: what, Of: w.ID, Link: link, Note: string(w.Nominal)}, now)
}

// certificate is relied on up to its last day, that day included.
func (d *dueData) certificate(c record.Certificate, one dueItem, now time.Time) []dueItem {
	last, err := time.ParseInLocation(time.DateOnly, c.Due, now.Location())
	if err != nil {
		d.Unsaid = append(d.Unsaid, dueUnsaid{one.Of, "the certificate has no last day", one.Link})
		return nil
	}
	one.At, one.State = last, record.InService
	one.Also = "last day on which it is relied on"
	if c.Number != "" {
		one.Also = "number " + c.Number + "; " + one.Also
	}
	switch today := dayOf(now); {
	case last.Before(today):
		one.State = record.CheckOverdue
	case last.Equal(today):
		one.State = record.CheckDue
	}
	return []dueItem{one}
}
