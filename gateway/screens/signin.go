package screens

import (
	"cmp"
	"net/http"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/rights"
)

// signInFacts is what the page shows on which people sign in, choose another password, and make the first account.
type signInFacts struct {
	To       string // where to go on to: a page of ours, or ""
	Onward   string // the same, or where one goes on to else
	Ways     rights.Ways
	Policy   rights.Policy
	Balance  string // id of the balance that somebody signs in at; "": at none
	Unknown  bool   // a balance is named that there is not
	Must     bool   // whoever is signed in has to choose another password
	First    bool   // nobody looks after accounts yet
	Provider string // where to sign in at a provider; "": nowhere
}

// signIn shows what is to be done to get in, or out. After it one goes on to the page of ours that to names.
func (s *Screens) signIn(w http.ResponseWriter, r *http.Request) {
	q, who, ways := r.URL.Query(), s.who(r), s.deps.Access.Ways()
	f := signInFacts{To: console.OwnPage(s.Routes(), q.Get("to")), Ways: ways, Policy: s.deps.Access.Policy(), Must: who.MustChange, First: ways.SetUp && !who.Known}
	if id := q.Get("balance"); id != "" {
		there := slices.ContainsFunc(s.deps.Source.Balances(), func(b console.Balance) bool { return b.ID == id })
		if f.Unknown = !there; there {
			f.Balance = id
		}
	}
	f.Onward = cmp.Or(f.To, "/")
	if f.Balance != "" && f.To == "" {
		f.Onward = cmp.Or(console.OwnPage(s.Routes(), "/bench/"+f.Balance), "/")
	}
	if ways.OpenID != "" && f.Balance == "" {
		f.Provider = ways.OpenID
	}
	title := "Sign in"
	switch {
	case f.First:
		title = "First account"
	case f.Must:
		title = "Choose another password"
	case who.SignedIn():
		title = "You are signed in"
	case f.Balance != "":
		title = "Sign in at " + f.Balance
	}
	s.show(w, r, page{Template: "sign-in.html", Title: title, Scripts: []string{"sign-in.js"}, Data: f})
}

// cameBack is what a page shows to whom a provider sent back.
type cameBack struct {
	Words, To string
	Well      bool
}

// CameBack shows what came of signing in at a provider. Where all is well it goes on by itself.
func (s *Screens) CameBack(w http.ResponseWriter, r *http.Request, status int, title, detail, to string) {
	s.write(w, r, status, page{Template: "came-back.html", Title: title, Data: cameBack{detail, to, status == http.StatusOK}})
}
