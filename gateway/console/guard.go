package console

import (
	"encoding/json"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
)

// guard lets through what a browser on this computer asks of this page itself. A foreign Host is what a name that was
// rebound to loopback carries; a foreign Origin is another site's page.
// The API has a guard of its own behind this one; nothing else takes a body or changes anything.
func guard(next, api http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secure(w.Header())
		port := listenPort(r)
		switch {
		case !ours(r.Host, port):
			problem(w, http.StatusForbidden, "This page answers to loopback names only",
				"The request names the host "+strconv.Quote(r.Host)+". Open it as http://localhost:"+port+"/.")
		case foreign(r, port):
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
		"img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=(), serial=(), usb=()")
	h.Set("Cache-Control", "no-store")
}

// listenPort is the port that the request came in on.
func listenPort(r *http.Request) string {
	if a, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr); ok {
		if _, port, err := net.SplitHostPort(a.String()); err == nil {
			return port
		}
	}
	return ""
}

// ours says whether a host, as in the header Host, is a loopback name with that port.
func ours(hostport, port string) bool {
	host, named, err := net.SplitHostPort(hostport)
	if err != nil {
		host, named = strings.TrimSuffix(strings.TrimPrefix(hostport, "["), "]"), "80"
	}
	if port == "" || named != port {
		return false
	}
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback() && ip.Zone() == ""
}

// foreign says whether the page of another origin made the request.
func foreign(r *http.Request, port string) bool {
	for _, origin := range r.Header.Values("Origin") {
		u, err := url.Parse(origin)
		if err != nil || u.Scheme != "http" || !ours(u.Host, port) || u.Host+u.Path != r.Host {
			return true
		}
	}
	// Browsers send no Origin with a picture or a script that a page embeds, but say so here. Following a link is allowed.
	site := r.Header.Get("Sec-Fetch-Site")
	followed := r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Method == http.MethodGet
	return (site == "cross-site" || site == "same-site") && !followed
}

// problem answers with a problem document (RFC 9457, section 3).
func problem(w http.ResponseWriter, status int, title, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(status)
	json.NewEncoder(w).Encode(problemDocument{"about:blank", title, status, detail})
}
