package console

import (
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
)

// place is where a request came in, and which names the page has there.
type place struct {
	scheme  string
	address netip.Addr // of this computer, that the request was sent to
	port    string
	names   []string          // of the configuration, with ports where they have one
	covers  func(string) bool // whether the certificate stands for a host; nil: there is none
}

func (s *Server) place(r *http.Request) place {
	p := place{scheme: "http", names: s.deps.Page.Names}
	if r.TLS != nil {
		p.scheme = "https"
	}
	if s.deps.Certificate != nil {
		p.covers = s.deps.Certificate.Covers
	}
	if a, ok := r.Context().Value(http.LocalAddrContextKey).(net.Addr); ok {
		if at, err := netip.ParseAddrPort(a.String()); err == nil {
			p.address = at.Addr().Unmap().WithZone("")
			p.port = listenPort(r)
		}
	}
	return p
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

// ours says whether a host, as in the header Host, is this page: a loopback name where the request came in over loopback, a name
// of the configuration or of the certificate, or the very address that the request was sent to. A page of another site that had
// its own name lead here (DNS rebinding) has none of them: an address in Host cannot be rebound.
func (p place) ours(hostport string) bool {
	host, port := p.split(hostport)
	if p.port == "" || host == "" {
		return false
	}
	host = strings.ToLower(host)
	for _, name := range p.names {
		if n, at := splitName(name, p.port); n == host && at == port {
			return true
		}
	}
	if port != p.port {
		return false
	}
	ip, err := netip.ParseAddr(host)
	switch {
	case host == "localhost" || err == nil && ip.IsLoopback():
		return p.address.IsLoopback() && ip.Zone() == ""
	case err == nil && ip == p.address:
		return true
	}
	return p.covers != nil && p.covers(host)
}

// split gives a host without brackets, and its port or that of the scheme (RFC 9110, section 4.2).
func (p place) split(hostport string) (host, port string) {
	if host, port, err := net.SplitHostPort(hostport); err == nil {
		return host, port
	}
	port = "80"
	if p.scheme == "https" {
		port = "443"
	}
	return strings.TrimSuffix(strings.TrimPrefix(hostport, "["), "]"), port
}

// instead says under which name to ask.
func (p place) instead() string {
	name, port := "localhost", p.port
	if len(p.names) > 0 {
		name, port = splitName(p.names[0], p.port)
	} else if !p.address.IsLoopback() && p.address.IsValid() {
		name = p.address.String()
	}
	sentence := "Open it as " + p.scheme + "://" + net.JoinHostPort(name, port) + "/."
	if p.address.IsLoopback() {
		return sentence
	}
	return sentence + " Other names go into the configuration, under page, names."
}

// foreign says whether the page of another origin made the request.
func (p place) foreign(r *http.Request) bool {
	for _, origin := range r.Header.Values("Origin") {
		u, err := url.Parse(origin)
		if err != nil || u.Scheme != p.scheme || !p.ours(u.Host) || u.Host+u.Path != r.Host {
			return true
		}
	}
	// Browsers send no Origin with a picture or a script that a page embeds, but say so here. Following a link is allowed.
	site := r.Header.Get("Sec-Fetch-Site")
	followed := r.Header.Get("Sec-Fetch-Mode") == "navigate" && r.Method == http.MethodGet
	return (site == "cross-site" || site == "same-site") && !followed
}

// strictTransport asks browsers to come with TLS only from now on (RFC 6797). Not for a certificate that weighpost made itself:
// once it changes, nobody could get in any more (section 11.3). Not under loopback names either, which other programs share, and
// addresses are left out by browsers (section 8.1.1).
func (s *Server) strictTransport(h http.Header, r *http.Request, at place) {
	host, _ := at.split(r.Host)
	_, notName := netip.ParseAddr(host)
	if r.TLS == nil || s.deps.Certificate == nil || s.deps.Certificate.SelfMade() || notName == nil ||
		strings.EqualFold(host, "localhost") || !at.ours(r.Host) {
		return
	}
	h.Set("Strict-Transport-Security", "max-age=31536000")
}
