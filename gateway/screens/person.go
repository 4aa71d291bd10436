package screens

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"

	"weighpost/gateway/rights"
)

// roleChoice is a role that somebody can be given.
type roleChoice struct {
	rights.RoleView
	Has    bool
	Barred string // why whoever looks cannot give or take it; "": they can
}

// roleChoices are the roles that there are, and of those that the configuration no longer names those that somebody has.
func (s *Screens) roleChoices(who rights.Who, has []string, own bool) ([]roleChoice, error) {
	all, err := s.deps.Access.Roles(who)
	if err != nil {
		return nil, err
	}
	var list []roleChoice
	had := rights.Set{}
	for _, r := range all {
		if slices.Contains(has, r.Name) {
			for _, right := range r.Rights {
				had[right] = true
			}
		}
	}
	for _, r := range all {
		c := roleChoice{RoleView: r, Has: slices.Contains(has, r.Name)}
		for _, right := range r.Rights {
			switch {
			case c.Has || had.Has(right):
			case own:
				c.Barred = "Nobody gives themselves a right: somebody else who looks after accounts does that."
			case rights.Office().Has(right) && who.May(right) != nil:
				c.Barred = "It gives a right that you do not have, and so cannot give: to " + allows(right) + "."
			}
		}
		list = append(list, c)
	}
	for _, name := range has {
		if !slices.ContainsFunc(all, func(r rights.RoleView) bool { return r.Name == name }) {
			list = append(list, roleChoice{RoleView: rights.RoleView{Name: name}, Has: true})
		}
	}
	return list, nil
}

// personFacts is what the page of one account shows.
type personFacts struct {
	Person   rights.PersonView
	State    string
	Own      bool // it is the account of whoever looks
	Local    bool // weighpost keeps it
	Changes  bool // whoever looks may change it
	TakeOver bool // and may give it a one-time password
	Roles    []roleChoice
	Sessions []rights.SessionView
	Policy   rights.Policy
	Ways     rights.Ways
	Offset   string // of this computer's zone now: +01:00
	LastDay  string // the last day on which the account can be used; "": it does not end
	History  []personEvent
	Unread   string // why there is no history; "": there is
}

// person shows one account, and what whoever looks may change about it.
func (s *Screens) person(w http.ResponseWriter, r *http.Request) {
	who, id := rights.From(r.Context()), r.PathValue("id")
	p, err := s.deps.Access.Person(who, id)
	if err != nil {
		s.refusedPage(w, r, "There is no such account", err)
		return
	}
	f := personFacts{Person: p, State: accountState(p), Own: who.Person == id && id != "", Local: p.Source == "local", Changes: who.May(rights.People) == nil,
		Policy: s.deps.Access.Policy(), Ways: s.deps.Access.Ways(), Offset: time.Now().Format("-07:00")}
	if p.Expires != nil {
		f.LastDay = p.Expires.Time().Local().Add(-time.Second).Format(time.DateOnly)
	}
	if f.Roles, err = s.roleChoices(who, p.Person.Roles, f.Own); err == nil {
		f.Sessions, err = s.deps.Access.Sessions(who, id)
	}
	if err != nil {
		s.refusedPage(w, r, "The account cannot be shown", err)
		return
	}
	f.TakeOver = f.Changes && f.Local && !f.Own && !slices.ContainsFunc(f.Roles, func(c roleChoice) bool { return c.Has && office(who, c.Rights) })
	f.History, f.Unread = s.historyOf(r.Context(), id)
	s.show(w, r, page{Template: "person.html", Title: p.Name, Place: peoplePlace, Scripts: []string{"people.js"}, Data: f})
}

// office says whether rights hold one that administrates weighpost and that who does not have.
func office(who rights.Who, list []rights.Right) bool {
	return slices.ContainsFunc(list, func(r rights.Right) bool { return rights.Office().Has(r) && who.May(r) != nil })
}

// newPerson shows the form by which somebody gets an account.
func (s *Screens) newPerson(w http.ResponseWriter, r *http.Request) {
	roles, err := s.roleChoices(rights.From(r.Context()), nil, false)
	if err != nil {
		s.refusedPage(w, r, "Nobody can be added now", err)
		return
	}
	s.show(w, r, page{Template: "person-new.html", Title: "Add somebody", Place: peoplePlace, Scripts: []string{"people.js"},
		Data: personFacts{Roles: roles, Offset: time.Now().Format("-07:00")}})
}

// historyOf gives what the journal says of somebody, the newest first, or why it does not.
func (s *Screens) historyOf(ctx context.Context, id string) ([]personEvent, string) {
	if s.deps.Entries == nil || rights.From(ctx).May(rights.ReadJournal) != nil {
		return nil, "What happened needs the right to read the journal."
	}
	list, err := s.personEvents(ctx, id)
	if err != nil {
		return nil, asSentence(fmt.Sprint(err))
	}
	return list, ""
}
