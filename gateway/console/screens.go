package console

import (
	"net/http"
	"net/url"

	"weighpost/gateway/rights"
)

// Screen is something that people see beside the API: a page, or a file that pages are made of. It is asked with GET, and
// changes nothing: what a page changes goes through the API.
type Screen struct {
	Pattern string // as http.ServeMux takes it, without a method
	Right   rights.Right
	Handler http.Handler
	Page    bool // people who may not see it are shown a page that says so, or where to sign in
}

// TurnedAway shows somebody who is known why they do not see a page.
type TurnedAway func(w http.ResponseWriter, r *http.Request, status int, title, detail string)

// CameBack shows somebody whom a provider sent back what came of signing in there. to is where they go on: by themselves where the
// status is 200.
type CameBack func(w http.ResponseWriter, r *http.Request, status int, title, detail, to string)

// screen lets through to a page whoever has its right. Whoever may not and has not said who they are comes to where one signs in,
// and from there back.
func (s *Server) screen(w http.ResponseWriter, r *http.Request, page Screen) {
	who := rights.From(r.Context())
	wrong := shownOf(r.Context()).wrong != ""
	if page.Right != Everybody && page.Page && !wrong {
		err := who.May(page.Right)
		switch {
		case err != nil && !who.Known && s.deps.Access != nil:
			http.Redirect(w, r, signInPath+"?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
			return
		case err != nil && who.MustChange: // nothing else before another secret is chosen, which is done there too
			http.Redirect(w, r, signInPath+"?to="+url.QueryEscape(r.URL.RequestURI()), http.StatusSeeOther)
			return
		case err != nil && who.Known && s.deps.TurnedAway != nil:
			s.noteDenied(w, r, err.Error())
			s.deps.TurnedAway(w, r, http.StatusForbidden, notAllowed, sentence(err.Error()))
			return
		}
	}
	if s.may(w, r, page.Right) {
		page.Handler.ServeHTTP(w, r)
	}
}
