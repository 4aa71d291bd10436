package screens

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func (s *Screens) runPages() []row {
	return []row{
		{"/runs", rights.See, s.showRuns},
		{"/runs/new", rights.See, s.newRun},
		{"/runs/{run}", rights.See, s.showRun},
		{"/runs/{run}/record", rights.ReadJournal, s.runRecord},
	}
}

const runsLimit = 100

// runsPage is the list of runs: those that go on, and those that have ended.
type runsPage struct {
	Absent   bool
	Told     string // why there is no list
	Open     []console.RunGlance
	OpenMore bool
	Ended    []console.RunGlance
	Next     string // address of the part that follows
	First    string // address of the beginning, where this is not it
	Asked    url.Values
	Narrowed bool
	May      bool // begin a run
	Adopted  int  // procedures that a run can be begun of
	MayWrite bool // whoever looks may write procedures
	States   []choice
	Names    []console.ProcedureView
	MayRead  bool
}

var runStates = []choice{{"", "in any state"}, {record.RunOpen, "open"}, {record.RunComplete, "complete"}, {record.RunAbandoned, "abandoned"}, {record.RunInReview, "in review"},
	{record.RunReturned, "returned"}, {record.RunReviewed, "reviewed"}, {record.RunApproved, "approved"}, {record.RunReviewAgain, "needs review again"},
	{record.RunReplaced, "replaced"}, {record.RunArchived, "archived"}}

// Get is what was asked for under a name.
func (p *runsPage) Get(name string) string { return p.Asked.Get(name) }

// Is says whether a word was asked for.
func (p *runsPage) Is(name, word string) bool { return p.Asked.Get(name) == word }

// showRuns lists runs.
func (s *Screens) showRuns(w http.ResponseWriter, r *http.Request) {
	who, q := s.who(r), r.URL.Query()
	p := &runsPage{Absent: s.deps.Runs == nil, Asked: q, May: who.Can(string(rights.Run)), MayRead: who.Can(string(rights.ReadJournal)),
		MayWrite: who.Can(string(rights.Procedures)), States: runStates}
	if s.deps.Procedures != nil {
		p.Names = s.deps.Procedures.Procedures()
		for _, one := range p.Names {
			if one.Adopted > 0 {
				p.Adopted++
			}
		}
	}
	if !p.Absent {
		s.listRuns(r, p)
	}
	s.show(w, r, page{Template: "runs.html", Title: "Runs of procedures", Place: "/runs", Data: p})
}

// listRuns asks for the runs of a page: all that are open first, where any are wanted, and the rest in parts.
func (s *Screens) listRuns(r *http.Request, p *runsPage) {
	asked := console.RunsAsked{Limit: runsLimit}
	for name, to := range map[string]*string{"procedure": &asked.Procedure, "sample": &asked.Sample, "balance": &asked.Balance, "person": &asked.Person, "request": &asked.Request} {
		*to = strings.TrimSpace(p.Asked.Get(name))
		p.Narrowed = p.Narrowed || *to != ""
	}
	state, before := p.Asked.Get("state"), p.Asked.Get("before")
	p.Narrowed = p.Narrowed || state != ""
	if before == "" && (state == "" || state == record.RunOpen) {
		open := asked
		open.State = record.RunOpen
		list, err := s.deps.Runs.Runs(r.Context(), open)
		if err != nil {
			p.Told = err.Error()
			return
		}
		p.Open, p.OpenMore = list.Runs, list.Next != ""
	}
	if state == record.RunOpen {
		return
	}
	asked.State, asked.Before = state, before
	list, err := s.deps.Runs.Runs(r.Context(), asked)
	if err != nil {
		p.Told = err.Error()
		return
	}
	p.Ended = slices.DeleteFunc(list.Runs, func(g console.RunGlance) bool { return g.State == record.RunOpen })
	address := func(before string) string {
		to := url.Values{}
		for name := range p.Asked {
			if v := p.Asked.Get(name); v != "" && name != "before" {
				to.Set(name, v)
			}
		}
		if before != "" {
			to.Set("before", before)
		}
		return strings.TrimSuffix("/runs?"+to.Encode(), "?")
	}
	if list.Next != "" {
		p.Next = address(list.Next)
	}
	if before != "" {
		p.First = address("")
	}
}

// procedureForm is of a procedure what has to be given before a run of it begins: the keys are those of its YAML.
type procedureForm struct {
	Title      string         `json:"title"`
	Source     string         `json:"source"`
	Cautions   []string       `json:"cautions"`
	About      string         `json:"about"`
	Most       int            `json:"most"`
	Parameters []formQuestion `json:"parameters"`
	Balances   map[string]struct {
		Readability string `json:"readability"`
		Capacity    string `json:"capacity"`
		Other       string `json:"other_than"`
	} `json:"balances"`
}

// formQuestion is one parameter.
type formQuestion struct {
	Name    string   `json:"name"`
	Label   string   `json:"label"`
	Kind    string   `json:"kind"`
	Unit    string   `json:"unit"`
	Choices []string `json:"choices"`
	Default string   `json:"default"`
	Limits  struct {
		AtLeast string `json:"at_least"`
		AtMost  string `json:"at_most"`
		From    string `json:"from"`
	} `json:"limits"`
}

// Shown is what people read of it.
func (q formQuestion) Shown() string {
	if q.Label != "" {
		return q.Label
	}
	return spacedWords(q.Name)
}

// Within says what it has to be within.
func (q formQuestion) Within() string {
	var parts []string
	if q.Kind == "quantity" && q.Default == "none" {
		parts = append(parts, "left empty: no limit")
	}
	if q.Limits.AtLeast != "" {
		parts = append(parts, "at least "+q.Limits.AtLeast)
	}
	if q.Limits.AtMost != "" {
		parts = append(parts, "at most "+q.Limits.AtMost)
	}
	if q.Limits.From != "" && len(parts) > 0 {
		parts = append(parts, q.Limits.From)
	}
	return strings.Join(parts, ", ")
}

// Amount is the number of a quantity that holds where nobody gives it.
func (q formQuestion) Amount() string {
	if q.Kind == "quantity" || q.Kind == "" {
		if q.Default == "none" { // it may be left out
			return ""
		}
		digits, _, _ := strings.Cut(q.Default, " ")
		return digits
	}
	return q.Default
}

// newRunPage is where a run is begun.
type newRunPage struct {
	Absent   bool
	May      bool // begin a run
	Adopted  []console.ProcedureView
	MayWrite bool
	Chosen   *console.ProcedureView
	Version  record.ProcedureRef
	Form     procedureForm
	Told     string // why the procedure cannot be read
	Places   []beginAt
	Here     string // the balance that the page was asked for
}

// beginAt is a balance at which a run may begin.
type beginAt struct {
	ID, Place string
	Look      *fitLook
}

// newRun offers the procedures that a run can be begun of, and of one that is chosen, what it has to know before.
func (s *Screens) newRun(w http.ResponseWriter, r *http.Request) {
	who, q := s.who(r), r.URL.Query()
	p := &newRunPage{Absent: s.deps.Procedures == nil || s.deps.Runs == nil, May: who.Can(string(rights.Run)), MayWrite: who.Can(string(rights.Procedures)), Here: q.Get("balance")}
	if !p.Absent {
		for _, one := range s.deps.Procedures.Procedures() {
			if one.Adopted > 0 {
				p.Adopted = append(p.Adopted, one)
			}
		}
		if name := q.Get("procedure"); name != "" && !s.choose(w, r, p, name) {
			return
		}
	}
	for _, b := range s.deps.Source.Balances() {
		if !who.CanAt(string(rights.Run), b.ID) {
			continue
		}
		one := beginAt{ID: b.ID, Place: b.Place}
		if b.Fitness != nil && b.Fitness.State != record.InService && b.Fitness.State != record.FitnessUnknown {
			look := lookOf(b.Fitness.State)
			one.Look = &look
		}
		p.Places = append(p.Places, one)
	}
	s.show(w, r, page{Template: "run-new.html", Title: "Begin a run", Place: "/runs", Scripts: []string{"runs.js"}, Data: p})
}

// choose reads the version of a procedure that a run would begin with. It answers where there is none.
func (s *Screens) choose(w http.ResponseWriter, r *http.Request, p *newRunPage, name string) bool {
	v, ok := s.deps.Procedures.Procedure(name)
	if !ok || v.Adopted == 0 {
		s.sorry(w, r, http.StatusNotFound, "No run can begin of it", "No version of a procedure "+name+" is adopted. Choose among those that are: /runs/new")
		return false
	}
	p.Chosen = &v
	for _, one := range v.Versions {
		if one.Version == v.Adopted {
			p.Version = one.ProcedureRef
		}
	}
	text, err := s.deps.Procedures.ProcedureText(name, v.Adopted)
	if err != nil {
		p.Told = err.Error()
		return true
	}
	b, err := json.Marshal(s.deps.Procedures.JudgeProcedure(text).Form)
	if err == nil {
		err = json.Unmarshal(b, &p.Form)
	}
	if err != nil {
		p.Told = err.Error()
	}
	return true
}

// Several says whether a run may be about more than one.
func (p *newRunPage) Several() bool { return p.Form.Most > 1 }

// ItemsWord is what a run of it is about, in words of the form.
func (p *newRunPage) ItemsWord() string {
	switch p.Form.About {
	case "nothing":
		return ""
	case "containers":
		return "Containers"
	case "both":
		return "Samples, each with its container"
	}
	return "Samples"
}
