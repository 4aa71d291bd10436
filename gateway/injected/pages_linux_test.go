package injected

import (
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"weighpost/gateway/console"
	"weighpost/gateway/screens"
)

const (
	walkedPages = 400 // at most, of all
	ofOnePlace  = 8   // pages of one pattern that are read
	inBrowser   = 1   // of these, how many a browser opens as well
	walkSecret  = "five barley sheaves by the well"
)

// someSettings has another name than the interface's own method.
type someSettings interface{ console.Settings }

// someProcedures likewise.
type someProcedures interface{ console.Procedures }

// walker goes over all pages as somebody who may do everything, by the links that the pages themselves have.
type walker struct {
	*lab
	base    *url.URL
	cookie  *http.Cookie
	routes  *http.ServeMux
	pattern map[string]int      // pages read, by pattern
	opened  map[string][]string // addresses for the browser, by pattern
	queue   []string
	known   map[string]bool
}

// signedIn makes an account with every role, whose name is hostile, and signs it in.
func (l *lab) signedIn(name string) *walker {
	l.t.Helper()
	base, err := url.Parse(l.g.PageURL())
	if err != nil {
		l.t.Fatal(err)
	}
	w := &walker{lab: l, base: base, routes: http.NewServeMux(), pattern: map[string]int{}, opened: map[string][]string{}, known: map[string]bool{}}
	for _, p := range screens.New(console.Deps{Access: struct{ console.Access }{}, Settings: struct{ someSettings }{}, Procedures: struct{ someProcedures }{}}).Routes() {
		if p.Page {
			w.routes.HandleFunc(p.Pattern, func(http.ResponseWriter, *http.Request) {})
			w.pattern[p.Pattern] = 0
		}
	}
	l.ask(200, "POST", "people", map[string]any{"id": "walker", "name": name, "roles": []string{"operator", "reviewer", "balance-keeper", "it", "auditor"}, "secret": walkSecret, "reason": name})
	w.session("POST", "session", map[string]string{"login": "walker", "secret": walkSecret})
	w.session("PUT", "session/secret", map[string]string{"old": walkSecret, "secret": walkSecret + ", again"})
	return w
}

// session sends what has to do with signing in, as the page does, and keeps the cookie.
func (w *walker) session(method, path string, body any) {
	w.t.Helper()
	raw, _ := json.Marshal(body)
	req, err := http.NewRequestWithContext(w.t.Context(), method, w.base.String()+"api/v1/"+path, strings.NewReader(string(raw)))
	if err != nil {
		w.t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Origin", strings.TrimSuffix(w.base.String(), "/"))
	req.Header.Set("X-Weighpost-Page", "1")
	if w.cookie != nil {
		req.AddCookie(w.cookie)
	}
	resp, err := w.client.Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	defer resp.Body.Close()
	answer, _ := io.ReadAll(resp.Body)
	if resp.StatusCode != 200 {
		w.t.Fatalf("%s %s: %d %s", method, path, resp.StatusCode, answer)
	}
	for _, c := range resp.Cookies() {
		if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.Path != "/" || c.Domain != "" {
			w.t.Errorf("the cookie is %s", c)
		}
		w.cookie = c
	}
}

// page reads one page, and holds its head to what every page with data has to say.
func (w *walker) page(address string) (status int, body string) {
	w.t.Helper()
	req, err := http.NewRequestWithContext(w.t.Context(), "GET", strings.TrimSuffix(w.base.String(), "/")+address, nil)
	if err != nil {
		w.t.Fatalf("a page links to %q: %v", address, err)
	}
	req.AddCookie(w.cookie)
	resp, err := w.client.Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		w.t.Fatal(err)
	}
	h := resp.Header
	csp := h.Get("Content-Security-Policy")
	for _, want := range []string{"default-src 'none'", "script-src 'self';", "style-src 'self';", "base-uri 'none'", "form-action 'self'", "frame-ancestors 'none'", "require-trusted-types-for 'script'"} {
		if !strings.Contains(csp, want) || strings.Contains(csp, "unsafe") {
			w.t.Errorf("%s: the policy %q lacks %q", address, csp, want)
		}
	}
	for name, want := range map[string]string{"X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "X-Content-Type-Options": "nosniff", "Cache-Control": "no-store", "Etag": "", "Last-Modified": ""} {
		if got := h.Get(name); got != want {
			w.t.Errorf("%s: %s is %q, want %q", address, name, got, want)
		}
	}
	return resp.StatusCode, string(b)
}

// wanders reads pages and what they link to, until nothing new is found or enough of each kind was read.
func (w *walker) wanders(from ...string) {
	w.t.Helper()
	w.queue = from
	for n := 0; len(w.queue) > 0 && n < walkedPages; {
		address := w.queue[0]
		w.queue = w.queue[1:]
		if w.known[address] {
			continue
		}
		w.known[address] = true
		r, err := http.NewRequest("GET", w.base.String()+strings.TrimPrefix(address, "/"), nil)
		if err != nil {
			w.t.Errorf("a page links to %q: %v", address, err)
			continue
		}
		_, pattern := w.routes.Handler(r)
		if pattern == "" {
			w.t.Errorf("a page links to %q, where there is no page", address)
			continue
		}
		if w.pattern[pattern] >= ofOnePlace {
			continue
		}
		w.pattern[pattern]++
		n++
		status, body := w.page(address)
		if status != 200 {
			w.t.Errorf("a page links to %q: %d %.300s", address, status, body)
			continue
		}
		if len(w.opened[pattern]) < inBrowser {
			w.opened[pattern] = append(w.opened[pattern], address)
		}
		found, links := intruders(body)
		for _, what := range found {
			w.t.Errorf("%s has %s", address, what)
		}
		w.queue = append(w.queue, links...)
	}
}

// intruders reads a page as a browser does (golang.org/x/net/html follows the WHATWG's parsing) and lists what no page of ours has,
// and where the page leads. A b is ours where it does not hold the word that hostile ids put into theirs.
func intruders(body string) (found, links []string) {
	doc, err := html.Parse(strings.NewReader(body))
	if err != nil {
		return []string{err.Error()}, nil
	}
	never := []string{"img", "iframe", "object", "embed", "base", "style", "foreignobject", "image", "animate", "set", "audio", "video", "math", "frame", "frameset", "applet", "marquee"}
	for n := range doc.Descendants() {
		if n.Type == html.TextNode || n.Type == html.CommentNode {
			if r := strings.IndexFunc(n.Data, turns); r >= 0 {
				found = append(found, fmt.Sprintf("the text %.80q, which holds what cannot be seen", n.Data[max(0, r-20):]))
			}
			continue
		}
		if n.Type != html.ElementNode {
			continue
		}
		src, text := attribute(n, "src"), ""
		if n.FirstChild != nil {
			text = n.FirstChild.Data
		}
		if slices.Contains(never, strings.ToLower(n.Data)) || n.Data == "script" && !strings.HasPrefix(src, "/assets/") || n.Data == "b" && text == "LOT" {
			found = append(found, "an element "+n.Data+" with "+fmt.Sprint(n.Attr, text))
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "style" || a.Key == "srcdoc" || a.Key == "formaction" || a.Key == "ping" || strings.ContainsFunc(a.Val, turns) {
				found = append(found, fmt.Sprintf("an attribute %s=%.80q of %s", a.Key, a.Val, n.Data))
			}
			if a.Key == "href" || a.Key == "src" || a.Key == "action" {
				link, foreign := leads(n, a.Val)
				if foreign {
					found = append(found, fmt.Sprintf("%s %s=%q", n.Data, a.Key, a.Val))
				} else if link != "" && n.Data == "a" {
					links = append(links, link)
				}
			}
			if a.Key == "data-send" && !strings.Contains(a.Val, " /api/v1/") || a.Key == "data-then" && (!strings.HasPrefix(a.Val, "/") || strings.HasPrefix(a.Val, "//")) {
				found = append(found, fmt.Sprintf("%s=%q of %s", a.Key, a.Val, n.Data))
			}
		}
	}
	return found, links
}

// turns says whether a character is one that a text from outside may not have on a page as it is: a control, or what turns the
// direction of others (Unicode, UAX 9, table 4). Our own templates use none of them but line ends and tabs.
func turns(r rune) bool {
	return r < ' ' && r != '\n' && r != '\t' && r != '\r' || r >= 0x7f && r < 0xa0 || r == 0x200e || r == 0x200f || r == 0x61c ||
		r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069 || r == 0x200b || r == 0xfeff
}

func attribute(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

// textOf is all text in an element.
func textOf(n *html.Node) (text string) {
	for c := range n.Descendants() {
		if c.Type == html.TextNode {
			text += c.Data
		}
	}
	return text
}

// leads gives the page that a link leads to, "" where it leads to none, and whether it leads away.
func leads(n *html.Node, to string) (page string, foreign bool) {
	u, err := url.Parse(to)
	if err != nil || u.Scheme != "" || u.Host != "" || u.Opaque != "" || strings.HasPrefix(to, "//") || strings.Contains(to, "\\") {
		return "", true
	}
	if !strings.HasPrefix(to, "/") { // a place on the page itself, or its own address with another query
		return "", !strings.HasPrefix(to, "#") && !strings.HasPrefix(to, "?")
	}
	if n.Data != "a" || strings.HasPrefix(to, "/api/") || strings.HasPrefix(to, "/assets/") {
		return "", false
	}
	u.Fragment = ""
	return u.RequestURI(), false
}

// TestAnIntruderIsFound: what a page would have, were a text not escaped on it, is seen by the search.
func TestAnIntruderIsFound(t *testing.T) {
	for _, spoilt := range []string{
		`<img src=x onerror="document.title='owned'">`, `<b>LOT</b>`, `<script>document.title='owned'</script>`, `<p title="" autofocus onfocus="x">`, `<a href="javascript:alert(1)">x</a>`,
		`<a href="//owned.example">x</a>`, `<a href="http://owned.example/">x</a>`, "<p>LOT\u202e001</p>", "<p title='\u2066'>", "<p>\x1b[2J</p>", `<svg onload="x"></svg>`, `<svg><foreignObject></foreignObject></svg>`,
		`<a href="/\owned.example">x</a>`, `<form data-send="GET //owned.example">`, `<form data-then="//owned.example">`, `<p style="position:fixed">`, `<base href="//owned.example">`, `<a href="owned">x</a>`,
	} {
		if found, _ := intruders("<!doctype html><main>" + spoilt + "</main>"); len(found) == 0 {
			t.Errorf("nothing is found in %s", spoilt)
		}
	}
	if found, links := intruders(`<!doctype html><main><b>fine</b><a href="/weighed?sample=%3Cb%3E">&lt;img src=x&gt;</a><script src="/assets/frame.js"></script></main>`); len(found) != 0 || len(links) != 1 {
		t.Errorf("%q %q", found, links)
	}
}

// missing lists the patterns of pages that no page was read of.
func (w *walker) missing() (list []string) {
	for p, n := range w.pattern {
		if n == 0 {
			list = append(list, p)
		}
	}
	slices.Sort(list)
	return list
}

// backToTheSame holds links with an id in them to what they are about.
func (w *walker) backToTheSame(all []string) {
	w.t.Helper()
	for _, id := range all {
		_, body := w.page("/samples?begin=" + url.QueryEscape(id))
		found := false
		doc, err := html.Parse(strings.NewReader(body))
		if err != nil {
			w.t.Fatal(err)
		}
		for n := range doc.Descendants() {
			if n.Data == "a" && strings.HasPrefix(attribute(n, "href"), "/weighed?") && textOf(n) == id {
				u, err := url.Parse(attribute(n, "href"))
				found = err == nil && u.Query().Get("sample") == id && len(u.Query()) == 1 && u.Path == "/weighed" && u.Fragment == ""
			}
			if send := attribute(n, "data-send"); strings.HasPrefix(send, "DELETE /api/v1/samples/") && alone(id) {
				if got, err := url.PathUnescape(strings.TrimPrefix(send, "DELETE /api/v1/samples/")); err != nil || !strings.HasPrefix(got, id) || strings.ContainsAny(strings.TrimPrefix(send, "DELETE /api/v1/samples/"), "/?#") {
					w.t.Errorf("the sample %q is ended at %q", id, send)
				}
			}
		}
		if !found {
			w.t.Errorf("no link on the page of samples leads to what was weighed of %q", id)
			continue
		}
		status, list := w.page("/weighed?sample=" + url.QueryEscape(id))
		if _, links := intruders(list); status != 200 || len(records(links)) != 1 {
			w.t.Errorf("what was weighed of %q: %d, records %q", id, status, records(links))
		}
	}
}

// records are the links that lead to one record.
func records(links []string) (list []string) {
	for _, l := range links {
		if strings.HasPrefix(l, "/weighed/") && !slices.Contains(list, l) {
			list = append(list, l)
		}
	}
	return list
}

const unharmedScript = `(() => {
  const bad = [...document.querySelectorAll("*")].filter((e) => ["IMG", "IFRAME", "OBJECT", "EMBED", "BASE", "STYLE", "FOREIGNOBJECT"].includes(e.tagName.toUpperCase()) ||
    e.tagName === "SCRIPT" && !e.getAttribute("src")?.startsWith("/assets/") || e.tagName === "B" && e.textContent === "LOT" || [...e.attributes].some((a) => a.name.startsWith("on")));
  const away = performance.getEntriesByType("resource").map((e) => e.name).filter((n) => !n.startsWith(location.origin + "/"));
  return bad.map((e) => e.outerHTML.slice(0, 120)).join() + "|" + away.join() + "|" + (document.title.startsWith("owned") ? document.title : "") + "|" + document.querySelectorAll("main").length;
})()`

// lookedAt opens pages in the browser, so that scripts write what the pages show.
func (w *walker) lookedAt(b *browser) {
	w.t.Helper()
	b.Is(w.cookie)
	for _, pattern := range slices.Sorted(maps.Keys(w.opened)) { // /bench before /bench/{id}, which /bench leads on to from then on
		for _, address := range w.opened[pattern] {
			target := strings.TrimSuffix(w.base.String(), "/") + address
			b.Go(target)
			got := b.Text(unharmedScript)
			for limit := time.Now().Add(patience); strings.HasSuffix(got, "|0") && time.Now().Before(limit); time.Sleep(20 * time.Millisecond) {
				got = b.Text(unharmedScript) // a page that leads on, as /bench does to the balance that it knows, has nothing for a moment
			}
			if got != "|||1" {
				w.t.Errorf("%s in a browser: %s", address, got)
			}
		}
	}
}
