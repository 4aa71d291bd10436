package console

import (
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
)

// guard lets through what a browser asks of this page itself. A foreign Host is what a name that was rebound to this computer
// carries; a foreign Origin is another site's page.
// The API has a guard of its own behind this one; nothing else takes a body or changes anything.
func (s *Server) guard(next, api http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secure(w.Header())
		at := s.place(r)
		s.strictTransport(w.Header(), r, at)
		switch {
		case !at.ours(r.Host):
			problem(w, http.StatusForbidden, "This page answers to its own names only",
				"The request names the host "+strconv.Quote(r.Host)+". "+at.instead())
		case at.foreign(r):
			problem(w, http.StatusForbidden, "Other sites may not ask this page",
				"The request comes from a page of another origin.")
		case strings.HasPrefix(r.URL.Path, "/api/"):
			api.ServeHTTP(w, r)
		case r.Method != http.MethodGet && r.Method != http.MethodHead:
			w.Header().Set("Allow", "GET, HEAD")
			problem(w, http.StatusMethodNotAllowed, "Nothing can be changed here", "Use GET.")
		case r.ContentLength != 0:
			problem(w, http.StatusRequestEntityTooLarge, "No request here has a body", "Send the request without one.")
		default:
			next.ServeHTTP(w, r)
		}
	})
}

func secure(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "+
		"img-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; require-trusted-types-for 'script'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), serial=(), usb=()")
	h.Set("Cache-Control", "no-store")
}

// problem answers with a problem document (RFC 9457, section 3).
func problem(w http.ResponseWriter, status int, title, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(problemDocument{"about:blank", title, status, detail})
}
