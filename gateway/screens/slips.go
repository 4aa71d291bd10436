package screens

import (
	"net/http"
	"net/url"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// slip is a weighing that was typed in, as its page shows it.
type slip struct {
	console.SlipView
	Look fitLook
	May  bool   // whoever looks may confirm it
	Why  string // or why not, where they have the right
}

func slipOf(v console.SlipView, w who) slip {
	look := map[string]fitLook{
		"waiting":     {Word: "waits for a second person", Shape: "notice", Class: "doubt"},
		"confirmed":   {Word: "confirmed", Shape: "well", Class: "good"},
		"turned down": {Word: "turned down", Shape: "error", Class: "bad"},
	}[v.State]
	s := slip{SlipView: v, Look: look}
	if v.State != "waiting" || !w.Can(string(rights.SecondPerson)) {
		return s
	}
	switch p := v.Context.Person; {
	case w.Actor.ID != "" && w.Actor.ID == v.By.ID:
		s.Why = "You typed it in: another person confirms it."
	case p != nil && w.Actor.ID != "" && w.Actor.ID == p.ID:
		s.Why = "You weighed it: another person confirms it."
	default:
		s.May = true
	}
	return s
}

// Address is where the API has it.
func (s slip) Address() string {
	parts := strings.Split(s.ID, "/")
	for i := range parts {
		parts[i] = url.PathEscape(parts[i])
	}
	return "/api/v1/slips/" + strings.Join(parts, "/")
}

// Entry is the page of its entry.
func (s slip) Entry() string { return entryAddress(record.EntryRef{Seq: s.Seq, ID: s.ID}) }

// AlikeAt are the pages of what it may be one with.
func (s slip) AlikeAt() (list []string) {
	for _, e := range s.Alike {
		list = append(list, entryAddress(e))
	}
	return list
}

// slipsPage is what was typed in.
type slipsPage struct {
	Waiting, Decided []slip
	Balances         []string // that whoever looks may type slips of in
	May              bool
	Absent           bool
	Balance          string // that is chosen
}

const slipsShown = 50 // that are decided

// showSlips answers: what was typed in, and what waits for me to hold it against its picture?
func (s *Screens) showSlips(w http.ResponseWriter, r *http.Request) {
	p := &slipsPage{Absent: s.deps.Slips == nil, Balance: r.URL.Query().Get("balance")}
	if !p.Absent {
		who := s.who(r)
		for _, b := range s.deps.Source.Balances() {
			if who.CanAt(string(rights.LateEntry), b.ID) {
				p.Balances = append(p.Balances, b.ID)
			}
		}
		p.May = len(p.Balances) > 0
		for _, one := range s.deps.Slips.Slips(console.SlipsAsked{State: "waiting"}) {
			p.Waiting = append(p.Waiting, slipOf(one, who))
		}
		for _, one := range s.deps.Slips.Slips(console.SlipsAsked{}) {
			if one.State != "waiting" && len(p.Decided) < slipsShown {
				p.Decided = append(p.Decided, slipOf(one, who))
			}
		}
	}
	s.show(w, r, page{Template: "slips.html", Title: "Slips that were typed in", Place: "/weighed", Scripts: []string{"slips.js"}, Data: p})
}
