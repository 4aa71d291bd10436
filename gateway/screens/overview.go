package screens

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/console"
)

// fewBalances is up to how many balances a page shows without a filter, and in wide cards.
const fewBalances = 8

// overviewData is what the overview shows.
type overviewData struct {
	asked
	Troubles troubles
	Balances []*shown
	Places   []string
	Many     bool
	Up       int
	Bad      int // balances with something wrong
	Find     string
	Place    string
	OnlyBad  bool
	Nothing  bool // the filter leaves none
	Sinks    []console.Sink
	SinksNow string
	Clock    console.Clock
	ClockNow string
	Journal  console.Journal
	CanAdd   bool
	First    bool // nobody has an account yet
	Zone     string
}

// overview answers: are all balances well?
func (s *Screens) overview(w http.ResponseWriter, r *http.Request) {
	who, now, q := s.who(r), time.Now(), r.URL.Query()
	list := s.conditions()
	d := &overviewData{asked: askedFor(r), Troubles: s.troubles(who, list), Find: q.Get("find"), Place: q.Get("place"), OnlyBad: q.Get("trouble") != "",
		Sinks: s.deps.Source.Sinks(), Clock: s.deps.Source.TimeFacts(), Journal: s.deps.Source.Journal(), CanAdd: who.Can("balances"), Zone: now.Format("-07:00")}
	for _, b := range s.deps.Source.Balances() {
		one := s.shown(who, b, list, now)
		if one.PortUp {
			d.Up++
		}
		if one.Worst() != "" {
			d.Bad++
		}
		one.Hidden = d.hides(one)
		d.Balances = append(d.Balances, one)
		if b.Place != "" && !slices.Contains(d.Places, b.Place) {
			d.Places = append(d.Places, b.Place)
		}
	}
	slices.Sort(d.Places)
	d.First = len(d.Balances) == 0 && !who.Known && who.Accounts && s.deps.Access.Ways().SetUp
	d.Many = len(d.Balances) > fewBalances
	d.Nothing = len(d.Balances) > 0 && !slices.ContainsFunc(d.Balances, func(b *shown) bool { return !b.Hidden })
	d.SinksNow, d.ClockNow = printSinks(d.Sinks), d.Clock.State
	if s.parts(w, r, "overview.html", d) {
		return
	}
	s.show(w, r, page{Template: "overview.html", Title: "Balances", Place: "/", Scripts: []string{"now.js"}, Data: d})
}

// hides says whether the filter leaves a balance out. assets/now.js does the same while somebody types.
func (d *overviewData) hides(b *shown) bool {
	text := strings.ToLower(b.ID + " " + b.Serial + " " + b.Place)
	return !strings.Contains(text, strings.ToLower(strings.TrimSpace(d.Find))) || d.Place != "" && b.Place != d.Place || d.OnlyBad && b.Worst() == ""
}

// printSinks changes when the sinks have to be shown anew.
func printSinks(list []console.Sink) string {
	var parts []string
	for _, k := range list {
		parts = append(parts, fmt.Sprintf("%s %s %s %d", k.ID, k.State, k.Why, k.Parked))
	}
	return strings.Join(parts, "|")
}
