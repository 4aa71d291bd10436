package console

import (
	"encoding/base64"
	"net/http"
	"strings"
	"testing"

	"weighpost/gateway/rights"
)

func ownScreens() (list []Screen) {
	nothing := http.HandlerFunc(func(http.ResponseWriter, *http.Request) {})
	for _, p := range []string{"/{$}", "/weighed", "/people/{id}", "/people/{id}/{$}", signInPath} {
		list = append(list, Screen{Pattern: p, Right: rights.See, Handler: nothing, Page: true})
	}
	return append(list, Screen{Pattern: "/assets/frame.js", Right: Everybody, Handler: nothing})
}

// TestNobodyIsSentToAnotherSite: after signing in one goes on to a page of ours or to none. The cases are those of OWASP's
// Unvalidated Redirects and Forwards Cheat Sheet and of WHATWG URL, 4.4 (what a browser makes of slashes, backslashes, tabs and line
// breaks); further ones are from common practice.
func TestNobodyIsSentToAnotherSite(t *testing.T) {
	for to, want := range map[string]string{
		"/": "/", "/weighed": "/weighed", "/weighed?sample=LOT%202001&to=//x": "/weighed?sample=LOT%202001&to=//x", "/people/a%40b": "/people/a%40b",
		"/people/keys/": "/people/keys/", "/weighed#x": "/weighed", "/people/%C3%A9": "/people/%C3%A9", "/people/a:b": "/people/a:b",

		"": "", "weighed": "", "//x": "", "///x": "", "/\\x": "", "\\\\x": "", "/\\/x": "", "https://x/": "", "https:x": "", "https:/weighed": "",
		"HTTPS://x": "", "%2f%2fx": "", "/%2fx": "", "/%2Fx/weighed": "", "/%5cx": "", "/%5Cweighed": "", "javascript:alert(1)": "", "JaVaScRiPt:alert(1)": "",
		"data:text/html,x": "", "/\n/x": "", "\n//x": "", "/\t/x": "", "\t/weighed": "", " /weighed": "", "/ /x": "", "/weighed\r\nSet-Cookie: a=b": "",
		"/weighed%0d%0aX: y": "", "//weighed": "", "//x@localhost/weighed": "", "/@x": "", "/.": "", "/..//x": "", "/people/..": "", "/people/%2e%2e": "", "/./weighed": "",
		"/assets/frame.js": "", "/api/v1/session": "", "/nowhere": "", "/sign-in": "", "/sign-in?to=/": "", "/%": "", "/weighed/": "", "/people/\u2028": "",
		"/\u202ex": "", "/people/a%2f%2fx": "", "/weighed?" + strings.Repeat("x", longestOwn): "",
	} {
		got := OwnPage(ownScreens(), to)
		if got != want {
			t.Errorf("%q: %q, want %q", to, got, want)
		}
		if got != "" && OwnPage(ownScreens(), got) != got {
			t.Errorf("%q: %q does not stay what it is", to, got)
		}
	}
}

func FuzzOwnPage(f *testing.F) {
	for _, to := range []string{"/weighed?x=%2f", "//x", "/people/%5c"} {
		f.Add(to)
	}
	pages := ownScreens()
	f.Fuzz(func(t *testing.T, to string) {
		got := OwnPage(pages, to)
		path, _, _ := strings.Cut(got, "?")
		if got != "" && (path[0] != '/' || strings.HasPrefix(path, "//") || strings.ContainsAny(got, "\\\r\n\t ") || strings.Contains(got, "#")) {
			t.Errorf("%q: %q", to, got)
		}
	})
}

// TestAProviderSendsBackToAPageOfOurs: what the cookie of a sign-in names counts for no more than an address that anybody gives.
func TestAProviderSendsBackToAPageOfOurs(t *testing.T) {
	s := &Server{deps: Deps{Screens: ownScreens()}}
	const state = "AZaz09-_AZaz09-_"
	for to, want := range map[string]string{"/weighed?a=b": "/weighed?a=b", "": "/", "//x": "/", "/weighed?" + strings.Repeat("x", 300): "/"} {
		value := flowValue(state, to)
		gotState, got := s.flowOf(value)
		if gotState != state || got != want || len(value) > longestCookie {
			t.Errorf("%q: %q, %q, %d bytes", to, gotState, got, len(value))
		}
	}
	for _, value := range []string{"", state, "." + base64.RawURLEncoding.EncodeToString([]byte("https://x")), state + ".!!", state + "." + base64.RawURLEncoding.EncodeToString([]byte("/\\x"))} {
		if _, to := s.flowOf(value); to != "/" {
			t.Errorf("%q: %q", value, to)
		}
	}
}

// TestWhoeverHasToChooseASecretIsLedThere: every page but those that they may see leads to where it is chosen.
func TestWhoeverHasToChooseASecretIsLedThere(t *testing.T) {
	h := open(t)
	h.access.mu.Lock()
	s := h.access.begin("operator", "password", "http 127.0.0.1", "")
	who := s.Who
	who.Rights, who.MustChange = rights.Of(rights.OwnAccount), true
	h.access.sessions[s.Secret] = who
	h.access.mu.Unlock()
	status, _ := h.tries(t, ruled{"GET", "/", rights.See, nil}, h.carrying(s.Secret), true)
	if status != http.StatusSeeOther {
		t.Errorf("%d", status)
	}
	if _, facts := h.tries(t, ruled{"GET", sessionPath, Everybody, nil}, h.carrying(s.Secret), true); !strings.Contains(facts, `"must_change":true`) {
		t.Errorf("%s", facts)
	}
}
