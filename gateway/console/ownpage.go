package console

import (
	"net/http"
	"net/url"
	"strings"
)

// longestOwn is how many bytes the address of a page may have that somebody goes back to.
const longestOwn = 1024

// OwnPage gives an address as it is gone back to after signing in, "" where it is that of no page of ours, or of the one where people
// sign in. What it gives always begins with one slash and a page's own path, so that no browser takes it for another site's (OWASP,
// Unvalidated Redirects and Forwards Cheat Sheet: a list of what is allowed).
func OwnPage(pages []Screen, to string) string {
	if len(to) > longestOwn || !strings.HasPrefix(to, "/") || strings.ContainsFunc(to, strange) {
		return ""
	}
	u, err := url.Parse(to)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || u.Opaque != "" || misleads(u.Path) {
		return ""
	}
	own := (&url.URL{Path: u.Path, RawPath: u.RawPath, RawQuery: u.RawQuery}).String()
	if !strings.HasPrefix(own, "/") || strings.HasPrefix(own, "//") {
		return ""
	}
	mux := http.NewServeMux()
	for _, p := range pages {
		if p.Page && p.Pattern != signInPath {
			mux.Handle(p.Pattern, p.Handler)
		}
	}
	if _, pattern := mux.Handler(&http.Request{Method: http.MethodGet, URL: &url.URL{Path: u.Path, RawPath: u.RawPath}}); pattern == "" {
		return ""
	}
	return own
}

// strange says whether a character has no place in the address of a page: browsers take a backslash for a slash, and leave out line
// breaks and tabs (WHATWG URL, 4.4).
func strange(r rune) bool { return r <= ' ' || r == '\\' || r >= 0x7f }

// misleads says whether a path means another one than it shows, once its signs are taken for what they stand for.
func misleads(path string) bool {
	if strings.ContainsFunc(path, func(r rune) bool { return r < ' ' || r == '\\' || r == 0x7f }) || strings.Contains(path, "//") {
		return true
	}
	for part := range strings.SplitSeq(path, "/") {
		if part == "." || part == ".." {
			return true
		}
	}
	return false
}
