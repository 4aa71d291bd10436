package screens

import (
	"errors"
	"net/http"

	"weighpost/gateway/console"
	"weighpost/gateway/rights"
)

func (s *Screens) addPages() []row {
	return []row{{"/add", rights.Balances, s.addBalance}, {"/add/{id}", rights.Balances, s.addVisit}}
}

// adding is what the page shows before a balance is added.
type adding struct {
	Ports  []console.SetupPort
	Why    string          // the ports cannot be listed
	Visits []console.Visit // under way
	Ended  []console.Visit
}

// addBalance shows the ports, what is under way, and where to begin.
func (s *Screens) addBalance(w http.ResponseWriter, r *http.Request) {
	if s.deps.Setup == nil {
		s.sorry(w, r, http.StatusNotFound, "Add a balance", "Here balances are added on the computer that weighpost runs on, by weighpost add-balance.")
		return
	}
	a := adding{}
	var err error
	if a.Ports, err = s.deps.Setup.SetupPorts(r.Context()); err != nil {
		a.Why = err.Error()
	}
	for _, v := range s.deps.Setup.Visits() {
		if v.State == console.VisitAsking || v.State == console.VisitWorking {
			a.Visits = append(a.Visits, v)
		} else {
			a.Ended = append(a.Ended, v)
		}
	}
	s.show(w, r, page{Template: "add.html", Title: "Add a balance", Place: "/settings", Scripts: []string{"add.js"}, Data: a})
}

// walk is one visit as its page shows it.
type walk struct {
	console.Visit
	Steps []walkStep
	Over  bool
}

// walkStep is one step, and how far it is.
type walkStep struct {
	Name, State string // done, now, to come
}

// addVisit shows one balance that is being added.
func (s *Screens) addVisit(w http.ResponseWriter, r *http.Request) {
	if s.deps.Setup == nil {
		s.addBalance(w, r)
		return
	}
	v, err := s.deps.Setup.Visit(r.PathValue("id"))
	if errors.Is(err, console.ErrNoVisit) {
		s.show(w, r, page{Template: "add-gone.html", Title: "Add a balance", Place: "/settings"})
		return
	}
	one := walk{Visit: v, Over: v.State != console.VisitAsking && v.State != console.VisitWorking}
	for i, name := range v.Steps {
		state := "to come"
		switch {
		case i+1 < v.Step || v.State == console.VisitFinished || v.State == console.VisitWaits:
			state = "done"
		case i+1 == v.Step && !one.Over:
			state = "now"
		}
		one.Steps = append(one.Steps, walkStep{name, state})
	}
	s.show(w, r, page{Template: "add-visit.html", Title: "Add a balance", Place: "/settings", Scripts: []string{"add-visit.js"}, Data: one})
}
