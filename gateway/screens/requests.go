package screens

import (
	"net/http"
	"net/url"
	"strings"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/tell"
)

func (s *Screens) requestPages() []row {
	return []row{
		{"/requests", rights.See, s.showRequests},
		{"/requests/{from}/{request}", rights.See, s.showRequest},
	}
}

const requestsLimit = 200

// requestsPage is what lab systems ask for: what waits, in the order in which it is to be done, and what became of the rest.
type requestsPage struct {
	Absent   bool
	Rows     []requestRow
	More     bool
	Asked    url.Values
	Narrowed bool
	States   []choice
	Balances []console.Balance
	MaySend  bool
	MayBegin bool
}

var requestStates = []choice{{"", "waiting or begun"}, {record.RequestWaiting, "waiting"}, {record.RequestBegun, "begun"}, {record.RequestComplete, "complete"},
	{record.RequestAbandoned, "abandoned"}, {record.RequestCancelled, "cancelled"}, {record.RunApproved, "approved"},
	{record.RunReviewAgain, "needs review again"}, {record.RunReplaced, "replaced"}, {"all", "all of them"}}

// Get is what was asked for under a name.
func (p *requestsPage) Get(name string) string { return p.Asked.Get(name) }

// Is says whether a word was asked for.
func (p *requestsPage) Is(name, word string) bool { return p.Asked.Get(name) == word }

// requestRow is one request as a page has it.
type requestRow struct{ console.RequestView }

// Path is where its page is, and Address where the API has it.
func (q requestRow) Path() string    { return requestPath(q.RequestRef) }
func (q requestRow) Address() string { return "/api/v1" + q.Path() }

func requestPath(ref record.RequestRef) string {
	return "/requests/" + url.PathEscape(ref.From) + "/" + url.PathEscape(ref.ID)
}

// mostItemsNamed is how many of the items of a request stand in a list.
const mostItemsNamed = 3

// Of says what it is about, in few words.
func (q requestRow) Of() string {
	var words []string
	for i, item := range q.Items {
		if i == mostItemsNamed {
			words = append(words, "and "+count(len(q.Items)-mostItemsNamed)+" more")
			break
		}
		words = append(words, itemAsked(item))
	}
	return strings.Join(words, ", ")
}

func itemAsked(i record.RunItem) string {
	switch {
	case i.Sample == "":
		return i.Container
	case i.Container == "":
		return i.Sample
	}
	return i.Sample + " in " + i.Container
}

// Words names one item.
func (q requestRow) Words(i record.RunItem) string { return itemAsked(i) }

// Look says how it stands, by word and shape.
func (q requestRow) Look() fitLook {
	look := q.stands()
	if left := tell.LeftOut(len(q.LeftOut), len(q.Items)); left != "" {
		look.Word += ", " + left
	}
	return look
}

func (q requestRow) stands() fitLook {
	switch {
	case q.State == record.RequestWaiting && q.Cannot != "":
		return fitLook{Word: "cannot begin", Shape: "warning", Class: "doubt"}
	case q.State == record.RequestWaiting && q.Overdue:
		return fitLook{Word: "waiting, overdue", Shape: "warning", Class: "doubt"}
	case q.State == record.RequestBegun && q.Overdue:
		return fitLook{Word: "begun, overdue", Shape: "warning", Class: "doubt"}
	case q.State == record.RequestWaiting:
		return fitLook{Word: "waiting", Shape: "notice", Class: "said"}
	case q.State == record.RequestBegun:
		return fitLook{Word: "begun", Shape: "moving", Class: "said"}
	case q.State == record.RequestComplete && q.Verdict == "failed":
		return fitLook{Word: "complete, outside its limits", Shape: "error", Class: "bad"}
	case q.State == record.RequestComplete && q.Verdict == "warned":
		return fitLook{Word: "complete, with a warning", Shape: "warning", Class: "doubt"}
	case q.State == record.RequestComplete:
		return fitLook{Word: "complete", Shape: "well", Class: "good"}
	}
	return fitLook{Word: q.State, Shape: "notice", Class: "said"}
}

// Waits and Open say whether it is still to be begun, and whether it has not ended.
func (q requestRow) Waits() bool { return q.State == record.RequestWaiting }
func (q requestRow) Open() bool  { return q.Waits() || q.State == record.RequestBegun }

// showRequests lists requests.
func (s *Screens) showRequests(w http.ResponseWriter, r *http.Request) {
	who, q := s.who(r), r.URL.Query()
	p := &requestsPage{Absent: s.deps.Requests == nil, Asked: q, States: requestStates, Balances: s.deps.Source.Balances(), MaySend: who.Can(string(rights.Requests)),
		MayBegin: who.Can(string(rights.Run))}
	asked := console.RequestsAsked{State: q.Get("state"), Balance: q.Get("balance"), Sample: strings.TrimSpace(q.Get("sample")), From: strings.TrimSpace(q.Get("from")),
		Limit: requestsLimit + 1}
	p.Narrowed = asked.State+asked.Balance+asked.Sample+asked.From != ""
	if !p.Absent {
		for _, one := range s.deps.Requests.LabRequests(asked) {
			p.Rows = append(p.Rows, requestRow{one})
		}
	}
	if p.More = len(p.Rows) > requestsLimit; p.More {
		p.Rows = p.Rows[:requestsLimit]
	}
	s.show(w, r, page{Template: "requests.html", Title: "Requests of lab systems", Place: "/runs", Data: p})
}

// requestPage is one request.
type requestPage struct {
	requestRow
	MaySend  bool
	MayBegin bool
	Here     string // the balance whose bench led here
	At       []console.Balance
	Balances []console.Balance
	MayRead  bool
	DueText  string // as the form has it
}

// dueText writes when a request is due in the zone that the page names, to the second where it has seconds.
func dueText(q console.RequestView, zone *time.Location) string {
	if q.Due == nil {
		return ""
	}
	at := q.Due.Time().In(zone)
	if at.Second() != 0 {
		return at.Format(time.DateTime)
	}
	return at.Format("2006-01-02 15:04")
}

// showRequest shows one request, with what became of it and what can be done about it.
func (s *Screens) showRequest(w http.ResponseWriter, r *http.Request) {
	ref := record.RequestRef{From: r.PathValue("from"), ID: r.PathValue("request")}
	v, known := console.RequestView{}, false
	if s.deps.Requests != nil {
		v, known = s.deps.Requests.LabRequest(ref)
	}
	if !known {
		s.sorry(w, r, http.StatusNotFound, "There is no such request", "No request of that sender and id is known. One that ended long ago is found in the journal.")
		return
	}
	who := s.who(r)
	name, offset := time.Now().Zone() // the page names one offset, also for a day of another season
	p := &requestPage{requestRow: requestRow{v}, DueText: dueText(v, time.FixedZone(name, offset)), MaySend: who.Can(string(rights.Requests)), Here: r.URL.Query().Get("balance"), Balances: s.deps.Source.Balances(),
		MayRead: who.Can(string(rights.ReadJournal))}
	for _, b := range p.Balances {
		if who.CanAt(string(rights.Run), b.ID) && (v.Balance == "" || v.Balance == b.ID) {
			p.At = append(p.At, b)
		}
	}
	p.MayBegin = len(p.At) > 0
	s.show(w, r, page{Template: "request.html", Title: "Request " + v.ID, Place: "/runs", Scripts: []string{"request.js"}, Data: p})
}

// mostQueued is how many requests a bench screen lists.
const mostQueued = 5

// requestsAt says which requests wait for the sample at a balance, and what it has to do besides.
func (s *Screens) requestsAt(d *benchData) {
	if s.deps.Requests == nil {
		return
	}
	list := func(sample string) (rows []requestRow) {
		for _, one := range s.deps.Requests.LabRequests(console.RequestsAsked{State: record.RequestWaiting, Balance: d.ID, Sample: sample, Limit: mostQueued}) {
			rows = append(rows, requestRow{one})
		}
		return rows
	}
	if d.Sample != nil {
		d.Asked = list(d.Sample.ID)
	}
	d.Queue = list("")
}

// AskedOne is the one request that the sample at the balance opens, for whoever may begin it there; nil where there is none, or several.
func (d benchData) AskedOne() *requestRow {
	if len(d.Asked) != 1 || !d.Runs || d.Asked[0].Cannot != "" {
		return nil
	}
	return &d.Asked[0]
}
