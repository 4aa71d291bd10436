package walked

import (
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"weighpost/gateway/certificate"
	"weighpost/gateway/rights"
)

// policy is what every answer says of what a browser may do with it (W3C Content Security Policy Level 3; frame-ancestors 'none' and
// X-Frame-Options: no page stands in another's frame, RFC 7034).
var policy = map[string][]string{
	"default-src": {"'none'"}, "script-src": {"'self'"}, "style-src": {"'self'"}, "connect-src": {"'self'"}, "img-src": {"'self'"},
	"base-uri": {"'none'"}, "form-action": {"'self'"}, "frame-ancestors": {"'none'"}, "require-trusted-types-for": {"'script'"},
}

// headed says what is missing of the headers of an answer.
func headed(h http.Header) (list []string) {
	got := map[string][]string{}
	for _, part := range strings.Split(h.Get("Content-Security-Policy"), ";") {
		if words := strings.Fields(part); len(words) > 0 {
			got[words[0]] = words[1:]
		}
	}
	for name, want := range policy {
		if !slices.Equal(got[name], want) {
			list = append(list, name+" is "+strings.Join(got[name], " "))
		}
	}
	for name := range got {
		if policy[name] == nil {
			list = append(list, "there is also "+name)
		}
	}
	for name, want := range map[string]string{"X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "X-Content-Type-Options": "nosniff",
		"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin"} {
		if h.Get(name) != want {
			list = append(list, name+" is "+h.Get(name))
		}
	}
	return list
}

// inline is what a page has that a strict policy would not run, or that leads elsewhere.
func inline(text string) (list []string) {
	doc, err := html.Parse(strings.NewReader(text))
	if err != nil {
		return []string{err.Error()}
	}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		a := attributes(n)
		for name, value := range a {
			plain := strings.ToLower(strings.TrimSpace(value))
			switch {
			case strings.HasPrefix(name, "on"), name == "style", name == "srcdoc", name == "srcset":
				list = append(list, n.Data+" has "+name)
			case strings.HasPrefix(plain, "javascript:"), strings.HasPrefix(plain, "data:"):
				list = append(list, n.Data+" has "+name+"="+value)
			case (name == "src" || n.Data == "link" && name == "href" || name == "action") && (!strings.HasPrefix(value, "/") || strings.HasPrefix(value, "//")):
				list = append(list, n.Data+" has "+name+"="+value)
			}
		}
		switch n.Data {
		case "style", "iframe", "object", "embed", "base", "frame", "foreignobject":
			list = append(list, "there is a "+n.Data)
		case "script":
			if a["src"] == "" || n.FirstChild != nil {
				list = append(list, "a script stands in the page")
			}
		}
	}
	return list
}

// TestWhatIsInlineIsFound: the look at pages sees what it has to.
func TestWhatIsInlineIsFound(t *testing.T) {
	for _, bad := range []string{`<p style="color: red">`, `<style>p { color: red }</style>`, `<script>alert(1)</script>`, `<script src="https://x.example/a.js"></script>`,
		`<a href="javascript:x()">x</a>`, `<svg><a onclick="x()"></a></svg>`, `<iframe src="/"></iframe>`, `<link rel="stylesheet" href="//x.example">`, `<form action="https://x.example">`} {
		if list := inline(bad); len(list) == 0 {
			t.Errorf("nothing is found in %s", bad)
		}
	}
	if list := inline(`<link rel="stylesheet" href="/assets/frame.css"><script type="module" src="/assets/frame.js"></script><svg><path fill="none" d="M0 0"/></svg>`); list != nil {
		t.Errorf("found in a page as it should be: %q", list)
	}
}

// TestEveryPageIsStrict: every page, every file that pages are made of, and every way to be turned away has the headers, and nothing inline.
func TestEveryPageIsStrict(t *testing.T) {
	t.Parallel()
	h := openHouse(t, "", "")
	keeper, nobody := h.visitor(rights.IT), h.visitor("")
	operator, writer := h.visitor(rights.Operator), h.visitor(rights.BalanceKeeper)
	h.visitor(rights.Auditor) // who has an account called as pages of people name it
	type asked struct {
		by     *visitor
		path   string
		status int
	}
	var all []asked
	for _, p := range h.allPages() {
		path := strings.ReplaceAll(h.filled(p.Pattern), "/people/cy", "/people/the-auditor")
		by := keeper
		if !by.may(p.Right) { // who writes procedures
			by = writer
		}
		all = append(all, asked{by, path, http.StatusOK})
	}
	all = append(all, asked{operator, "/people", http.StatusForbidden}, asked{nobody, "/people", http.StatusSeeOther}, asked{nobody, "/nowhere", http.StatusNotFound},
		asked{nobody, "/sign-in", http.StatusOK}, asked{operator, "/balances/no-such", http.StatusNotFound}, asked{nobody, "/assets/", http.StatusNotFound},
		asked{nobody, "/api/v1/openapi.json", http.StatusOK}, asked{nobody, "/healthz", http.StatusOK}, asked{nobody, "/icon.svg", http.StatusOK})
	pages := 0
	for _, a := range all {
		resp, text := a.by.get(a.path)
		if resp.StatusCode != a.status {
			t.Errorf("%s: %d, want %d", a.path, resp.StatusCode, a.status)
		}
		for _, what := range headed(resp.Header) {
			t.Errorf("%s: %s", a.path, what)
		}
		if strings.HasPrefix(resp.Header.Get("Content-Type"), "text/html") {
			pages++
			for _, what := range inline(text) {
				t.Errorf("%s: %s", a.path, what)
			}
		}
	}
	t.Logf("%d answers, %d of them pages", len(all), pages)
	if pages < 38 {
		t.Errorf("%d pages: the walk is wrong", pages)
	}
}

// TestTLSIsAskedForOnlyWhereItStays: under a name of its own, with a certificate that was given to it, browsers are told to come by TLS
// only (RFC 6797, 7.2); with one that weighpost made itself they are not, since nobody could get in any more once it changes (11.3).
func TestTLSIsAskedForOnlyWhereItStays(t *testing.T) {
	t.Parallel()
	made := startLab(t, "", ", names: [page.lab.example], tls: {self_made: true}", "balances: []\n")
	if got := strictly(t, made, filepath.Join(made.folder, "page-certificate.pem")); got != "" {
		t.Errorf("with a certificate that it made itself it says %q", got)
	}
	dir := t.TempDir()
	for _, name := range []string{"page-certificate.pem", "page-key.pem"} {
		b, err := os.ReadFile(filepath.Join(made.folder, name))
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, name), b, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	given := startLab(t, "", ", names: [page.lab.example], tls: {certificate: "+filepath.Join(dir, "page-certificate.pem")+", key: "+filepath.Join(dir, "page-key.pem")+"}", "balances: []\n")
	if got := strictly(t, given, filepath.Join(dir, "page-certificate.pem")); got != "max-age=31536000" {
		t.Errorf("with a certificate of its own it says %q", got)
	}
}

// strictly is the header Strict-Transport-Security of a page by TLS, asked for under its name; the other headers are there too.
func strictly(t *testing.T, l *lab, file string) string {
	t.Helper()
	leaf, err := certificate.First(file)
	if err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(l.PageURL())
	if err != nil || u.Scheme != "https" {
		t.Fatalf("%v: %s", err, l.PageURL())
	}
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "https://127.0.0.1:"+u.Port()+"/sign-in", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Host = "page.lab.example:" + u.Port()
	client := http.Client{Timeout: patience, Transport: &http.Transport{TLSClientConfig: certificate.Pin(leaf), DisableKeepAlives: true}}
	resp, err := client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%d %s %v", resp.StatusCode, text, err)
	}
	for _, what := range append(headed(resp.Header), inline(string(text))...) {
		t.Errorf("/sign-in by TLS: %s", what)
	}
	return resp.Header.Get("Strict-Transport-Security")
}
