package console

import (
	"crypto/subtle"
	"net/http"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/rights"
)

const (
	// pageMark is the header that a page sends with whatever changes something by a cookie. A page of another site cannot set it
	// without asking first, which is never allowed here (OWASP, Cross-Site Request Forgery Prevention Cheat Sheet, custom request
	// headers). A token for each session would protect against nothing more, and be one more secret to lose.
	pageMark  = "X-Weighpost-Page"
	pageMarks = "1"
	pageLooks = "looks" // the page asks of itself

	longestCookie = 256
	tlsCookie     = "__Host-weighpost"
	flowTime      = 10 * time.Minute // for a sign-in at a provider
)

// cookieName names a cookie for this connection: over TLS so that browsers take it from here alone, for every path and no other
// host (RFC 6265bis, section 4.1.3.2). On plain loopback, where ports share cookies, it carries the port.
func cookieName(r *http.Request, what string) string {
	if r.TLS != nil {
		return tlsCookie + what
	}
	return "weighpost" + what + "-" + listenPort(r)
}

func newCookie(r *http.Request, what, value string) http.Cookie {
	return http.Cookie{Name: cookieName(r, what), Value: value, Path: "/", HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode}
}

// sessionCookie gives a browser its session; "" takes it away. It ends with the browser, and the session of its own.
func sessionCookie(r *http.Request, secret string) http.Cookie {
	c := newCookie(r, "", secret)
	if secret == "" {
		c.MaxAge = -1
	}
	return c
}

// flowCookie ties a sign-in at a provider to the browser that began it. It is Lax: it has to come along when the provider sends
// the browser back, and is worth nothing by itself.
func flowCookie(r *http.Request, state string) http.Cookie {
	c := newCookie(r, "-openid", state)
	c.SameSite, c.MaxAge = http.SameSiteLaxMode, int(flowTime/time.Second)
	if state == "" {
		c.MaxAge = -1
	}
	return c
}

// cookieOf is the value of a cookie; "" where there is none, more than one, or one that cannot be ours.
func cookieOf(r *http.Request, what string) string {
	list := r.CookiesNamed(cookieName(r, what))
	if len(list) != 1 || len(list[0].Value) > longestCookie {
		return ""
	}
	return list[0].Value
}

// sameState compares in a time that does not depend on how much is right.
func sameState(a, b string) bool {
	return a != "" && subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1
}

// byCookie says whose session a request shows; shown.cookie is false where it shows none that is good for anything.
func (s *Server) byCookie(r *http.Request, from string) (rights.Who, shown) {
	secret := cookieOf(r, "")
	if s.deps.Access == nil || secret == "" {
		return rights.Who{}, shown{}
	}
	whose := s.deps.Access.WhoIs
	if byItself(r) {
		whose = s.deps.Access.PeekWho
	}
	who, err := whose(secret, from)
	if err != nil {
		return rights.Who{}, shown{}
	}
	return who, shown{cookie: true}
}

// byItself says whether a page asks without its person doing anything: that is no use of a session.
func byItself(r *http.Request) bool {
	return r.URL.Path == "/live" || r.Header.Get(pageMark) == pageLooks || strings.Contains(r.Header.Get("Accept"), "text/event-stream")
}

// ofThePage says whether a request that changes something by a cookie comes from our own page. The guard has refused what says
// that it comes from elsewhere; here it has to say that it does not.
func ofThePage(r *http.Request) bool {
	own := r.Header.Get("Origin") != "" || r.Header.Get("Sec-Fetch-Site") == "same-origin"
	return slices.Contains(safeMethods, r.Method) || own && r.Header.Get(pageMark) == pageMarks
}

// forged answers what a cookie would change and our own page did not send.
func (s *Server) forged(w http.ResponseWriter, r *http.Request) bool {
	if !shownOf(r.Context()).cookie || ofThePage(r) {
		return false
	}
	s.noteDenied(w, r, "it is signed in by a cookie, and does not show that the page sent it")
	problem(w, http.StatusForbidden, "Only the page itself may change something by its cookie",
		"Send the header "+pageMark+": "+pageMarks+" from the page, or use a key with the header Authorization.")
	return true
}
