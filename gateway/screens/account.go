package screens

import (
	"net/http"

	"weighpost/gateway/rights"
)

// accountFacts is what somebody sees of their own account.
type accountFacts struct {
	Person   rights.PersonView
	Policy   rights.Policy
	Ways     rights.Ways
	Sessions []rights.SessionView
	Others   int // sessions beside the one that the page was asked with
	Rights   []rights.Right
	Limited  bool // this sign-in is good for less than the account
}

// account shows somebody their own account: what they may do, where they are signed in, and what they can change.
func (s *Screens) account(w http.ResponseWriter, r *http.Request) {
	who := rights.From(r.Context())
	if who.Person == "" {
		s.sorry(w, r, http.StatusConflict, "No account", "Whoever asks for this page has no account of their own: sign in.")
		return
	}
	if who.MustChange { // nothing else before that
		http.Redirect(w, r, "/sign-in?to=/account", http.StatusSeeOther)
		return
	}
	p, err := s.deps.Access.Person(who, who.Person)
	if err != nil {
		s.refusedPage(w, r, "Your account cannot be shown", err)
		return
	}
	f := accountFacts{Person: p, Policy: s.deps.Access.Policy(), Ways: s.deps.Access.Ways(), Rights: who.Rights.List(), Limited: len(who.Rights.List()) < len(p.Rights)}
	if f.Sessions, err = s.deps.Access.Sessions(who, who.Person); err != nil {
		s.refusedPage(w, r, "Your sessions cannot be shown", err)
		return
	}
	for _, one := range f.Sessions {
		if !one.Own {
			f.Others++
		}
	}
	s.show(w, r, page{Template: "account.html", Title: "Your account", Scripts: []string{"sign-in.js"}, Data: f})
}
