package console

import (
	"context"
	"fmt"
	"io"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/rights"
)

var (
	placeholder = regexp.MustCompile(`\{[a-z]+\}`)
	byName      = regexp.MustCompile(`(, )?"by": "[^"]*"`)
)

// asker is one way to come to a route, and what it may do.
type asker struct {
	name   string
	may    rights.Set
	known  bool
	change func(*http.Request)
}

// askers are everybody that a route may have to do with: a visitor where visitors may look and where not, the host, and for each role
// somebody signed in and a program's key.
func (h *house) askers(t *testing.T) []asker {
	bearer := func(token string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set("Authorization", "Bearer "+token) }
	}
	list := []asker{
		{"a visitor", visitor(true, "").Rights, false, func(r *http.Request) { r.Header.Del("Authorization") }},
		{"the host", rights.Of(rights.All()...), true, bearer(testToken)},
	}
	for _, role := range slices.Sorted(maps.Keys(rights.Defaults())) {
		list = append(list, asker{"the " + role, rights.Defaults()[role], true, nil}, asker{"the key of " + role, rights.Defaults()[role], true, bearer(keyMark + role)})
	}
	return list
}

// TestEveryRouteForEveryRole walks every route, as the description and the table of the others have them, as everybody that there
// is. What is expected is the right that the route itself names, so that a new route is walked without being told.
func TestEveryRouteForEveryRole(t *testing.T) {
	h := open(t)
	routes, asked, denied := ruledRoutes(h), 0, 0
	for _, who := range h.askers(t) {
		for _, r := range routes {
			want := 0
			switch {
			case r.right == Everybody || who.may.Has(r.right):
			case who.known:
				want = http.StatusForbidden
			default:
				want = http.StatusUnauthorized
			}
			h.attempts.forget()
			h.badges.forget()
			change := who.change
			if change == nil {
				change = h.enter(t, strings.TrimPrefix(who.name, "the "))
			}
			own := r
			own.path = strings.Replace(r.path, "{from}", strings.Replace(who.name, "the key of ", "key-", 1), 1) // a program acts on its own requests
			own.path = strings.ReplaceAll(own.path, " ", "-")
			status, answer := h.tries(t, own, change, want == 0)
			asked++
			if want != 0 {
				denied++
			}
			refused := status == http.StatusForbidden || status == http.StatusUnauthorized
			if want == 0 && refused || want != 0 && status != want || status >= 500 && status != 503 {
				t.Errorf("%s: %s %s needs %s: %d %.200s, want %d (0: not refused)", who.name, r.method, r.path, r.right, status, answer, want)
			}
			if want == http.StatusForbidden && !strings.Contains(answer, string(r.right)) {
				t.Errorf("%s: %s %s does not say which right it needs: %s", who.name, r.method, r.path, answer)
			}
		}
	}
	t.Logf("%d routes, %d requests, %d of them to be refused", len(routes), asked, denied)
	if len(routes) < 60 || denied < 200 {
		t.Errorf("%d routes, %d refusals: the walk is wrong", len(routes), denied)
	}
}

// tries sends one request to a route. One that is let through and does not end, such as a stream, is cut off, with status 200.
func (h *house) tries(t *testing.T, r ruled, change func(*http.Request), through bool) (int, string) {
	t.Helper()
	limit := 10 * time.Second
	if through && (strings.HasSuffix(r.path, "/stream") || strings.HasSuffix(r.path, "/next") || r.path == "/live") {
		limit = 30 * time.Millisecond
	}
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	path := placeholder.ReplaceAllString(filled(r.path), "x")
	body := ""
	if bodyTypes[r.method] != nil {
		body = byName.ReplaceAllString(goodBody(r.method, path), "") // everybody acts under their own name
	}
	req, err := http.NewRequestWithContext(ctx, r.method, h.base+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", bodyTypes[r.method][0])
	}
	change(req)
	client := &http.Client{Transport: http.DefaultClient.Transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Do(req)
	if err != nil {
		if ctx.Err() != nil && limit < time.Second {
			return http.StatusOK, ""
		}
		t.Fatalf("%s %s: %v", r.method, r.path, err)
	}
	defer resp.Body.Close()
	if limit < time.Second {
		return resp.StatusCode, ""
	}
	b, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
	return resp.StatusCode, string(b)
}

// TestVisitorsMayDoNothingWhereTheConfigurationSaysSo: every route that is not for everybody, without anything shown.
func TestVisitorsMayDoNothingWhereTheConfigurationSaysSo(t *testing.T) {
	h := open(t)
	h.access.nothing = true
	for _, r := range ruledRoutes(h) {
		h.attempts.forget()
		status, answer := h.tries(t, r, func(*http.Request) {}, false)
		want := map[bool]int{true: 303, false: 401}[r.path == "/" || r.path == toProviderPath] // pages go to where one signs in
		if r.right != Everybody && status != want {
			t.Errorf("%s %s: %d %.100s, want %d", r.method, r.path, status, answer, want)
		}
	}
}

// TestWhatACookieCannotDo: a cookie changes something for our own page only, and counts for nothing beside a header.
func TestWhatACookieCannotDo(t *testing.T) {
	h := open(t)
	const path = "/api/v1/people"
	set := func(name, value string) func(*http.Request) {
		return func(r *http.Request) {
			if r.Header.Del(name); value != "" {
				r.Header.Set(name, value)
			}
		}
	}
	for _, c := range []struct {
		name   string
		change []func(*http.Request)
		want   int
	}{
		{"our page", nil, 200},
		{"our page, by what the browser says of the site", []func(*http.Request){set("Origin", ""), set("Sec-Fetch-Site", "same-origin")}, 200},
		{"no mark", []func(*http.Request){set(pageMark, "")}, 403},
		{"the mark of looking", []func(*http.Request){set(pageMark, pageLooks)}, 403},
		{"neither origin nor site", []func(*http.Request){set("Origin", "")}, 403},
		{"typed into the address", []func(*http.Request){set("Origin", ""), set("Sec-Fetch-Site", "none")}, 403},
		{"another site", []func(*http.Request){set("Origin", "https://rebound.example")}, 403},
		{"no origin", []func(*http.Request){set("Origin", "null")}, 403},
		{"another port", []func(*http.Request){set("Origin", "http://127.0.0.1:1")}, 403},
		{"another site, by what the browser says", []func(*http.Request){set("Sec-Fetch-Site", "cross-site")}, 403},
		{"another port, by what the browser says", []func(*http.Request){set("Sec-Fetch-Site", "same-site")}, 403},
		{"a form", []func(*http.Request){set("Content-Type", "application/x-www-form-urlencoded")}, 415},
		{"a form as text", []func(*http.Request){set("Content-Type", "text/plain")}, 415},
		{"a form without the mark", []func(*http.Request){set("Content-Type", "text/plain"), set(pageMark, "")}, 403},
		{"a foreign host", []func(*http.Request){func(r *http.Request) { r.Host = "rebound.example:" + h.port }}, 403},
		{"a wrong token beside it", []func(*http.Request){set("Authorization", "Bearer "+testToken+"x")}, 401},
		{"another scheme beside it", []func(*http.Request){set("Authorization", "Basic YTpi")}, 401},
		{"a key that may less beside it", []func(*http.Request){set("Authorization", "Bearer wp_auditor")}, 403},
		{"the host's token beside it, without the mark", []func(*http.Request){set("Authorization", "Bearer "+testToken), set(pageMark, ""), set("Origin", "")}, 200},
		{"two of them", []func(*http.Request){func(r *http.Request) { r.AddCookie(&http.Cookie{Name: "weighpost-" + h.port, Value: "another"}) }}, 401},
		{"one that is too long", []func(*http.Request){set("Cookie", "weighpost-"+h.port+"="+strings.Repeat("x", 300))}, 401},
		{"one of another port", []func(*http.Request){set("Cookie", "weighpost-1=secret-of-session-1-0123456789")}, 401},
		{"one with the name that TLS has", []func(*http.Request){set("Cookie", "__Host-weighpost=secret-of-session-1-0123456789")}, 401},
	} {
		h.attempts.forget()
		h.access.acts = 0
		in := h.enter(t, "it")
		resp, answer := send(t, h, "POST", path, goodBody("POST", path), func(r *http.Request) {
			in(r)
			for _, f := range c.change {
				f(r)
			}
		})
		if resp.StatusCode != c.want || h.access.count() != map[bool]int{true: 1}[c.want == 200] {
			t.Errorf("%s: %d %s, want %d; %d changes", c.name, resp.StatusCode, answer, c.want, h.access.count())
		}
	}
}

// jarred signs somebody in as a browser does, with what it sent before, and gives the cookies that it got.
func (h *house) jarred(t *testing.T, login, secret string, before *http.Cookie) (*http.Response, string) {
	t.Helper()
	return askWith(t, "POST", h.base+sessionPath, fmt.Sprintf(`{"login": %q, "secret": %q}`, login, secret), func(r *http.Request) {
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Origin", h.base)
		r.Header.Set(pageMark, pageMarks)
		if before != nil {
			r.AddCookie(before)
		}
	})
}

// TestASignInIsAlwaysANewSession: what a browser was given before, by whomever, is worth nothing after it (session fixation).
func TestASignInIsAlwaysANewSession(t *testing.T) {
	h := open(t)
	planted := &http.Cookie{Name: "weighpost-" + h.port, Value: "planted-by-somebody-else"}
	resp, answer := h.jarred(t, "operator", aSecret, planted)
	if resp.StatusCode != 200 || len(resp.Cookies()) != 1 || resp.Cookies()[0].Value == planted.Value {
		t.Fatalf("%d %s %v", resp.StatusCode, answer, resp.Cookies())
	}
	first := resp.Cookies()[0]
	if !first.HttpOnly || first.SameSite != http.SameSiteStrictMode || first.Path != "/" || first.Domain != "" || first.Secure || first.MaxAge != 0 || first.Name != planted.Name {
		t.Errorf("the cookie is %s", first)
	}
	if strings.Contains(answer, first.Value) || strings.Contains(answer, aSecret) {
		t.Error("the answer holds a secret")
	}
	resp, _ = h.jarred(t, "reviewer", aSecret, first)
	second := resp.Cookies()[0]
	if second.Value == first.Value || len(h.access.sessions) != 1 {
		t.Errorf("%s after %s, %d sessions", second, first, len(h.access.sessions))
	}
	if resp, _ = h.jarred(t, "reviewer", "wrong", second); resp.StatusCode != 401 || len(resp.Cookies()) != 0 || len(h.access.sessions) != 1 {
		t.Errorf("a sign-in that failed: %d, %v, %d sessions", resp.StatusCode, resp.Cookies(), len(h.access.sessions))
	}
	resp, _ = ask(t, "DELETE", h.base+sessionPath, h.carrying(second.Value))
	if got := resp.Cookies(); resp.StatusCode != 200 || len(got) != 1 || got[0].MaxAge >= 0 || len(h.access.sessions) != 0 {
		t.Errorf("signing out: %d %v, %d sessions", resp.StatusCode, got, len(h.access.sessions))
	}
	log := h.logged.String()
	for _, secret := range []string{planted.Value, first.Value, second.Value, aSecret, "Cookie", "wrong"} {
		if strings.Contains(log, secret) {
			t.Errorf("the log holds %q", secret)
		}
	}
}

// TestEveryWrongSignInIsToldTheSame: whoever tries learns nothing of which names there are, and is slowed down in the same words.
func TestEveryWrongSignInIsToldTheSame(t *testing.T) {
	h := open(t)
	var texts []string
	for _, c := range [][2]string{{"operator", "wrong"}, {"nobody", "wrong"}, {"nobody", aSecret}, {"operator\r\nX-Evil: 1", aSecret}, {"<b>", "x"}, {"*)(uid=*", "x"}} {
		resp, answer := h.jarred(t, c[0], c[1], nil)
		if resp.StatusCode != 401 || resp.Header.Get("WWW-Authenticate") == "" || resp.Header.Get("X-Evil") != "" || len(resp.Cookies()) != 0 {
			t.Errorf("%q: %d %v", c, resp.StatusCode, resp.Header)
		}
		texts = append(texts, answer)
	}
	if slices.Sort(texts); texts[0] != texts[len(texts)-1] {
		t.Errorf("%q", texts)
	}
	if log := h.logged.String(); strings.Contains(log, "X-Evil") || strings.Contains(log, "wrong") {
		t.Errorf("the log holds what was typed: %s", log)
	}
	h.access.answer = &rights.Throttled{After: 1500 * time.Millisecond}
	if resp, answer := h.jarred(t, "operator", aSecret, nil); resp.StatusCode != 429 || resp.Header.Get("Retry-After") != "2" {
		t.Errorf("%d, Retry-After %q: %s", resp.StatusCode, resp.Header.Get("Retry-After"), answer)
	}
	h.access.answer = nil
	wrong := `{"code": "none", "balance": "b-12"}`
	last := 0
	for range attemptsLimit + 3 {
		resp, _ := send(t, h, "POST", badgePath, wrong, nil)
		last = resp.StatusCode
	}
	if got := len(slices.DeleteFunc(h.access.asked, func(s string) bool { return s != "badge" })); last != 429 || got != attemptsLimit+1 {
		t.Errorf("badges are tried out: %d, %d of them were looked at", last, got)
	}
	if resp, _ := send(t, h, "POST", badgePath, `{"code": "0047", "balance": "b-99\u0000"}`, nil); resp.StatusCode != 422 {
		t.Errorf("a balance that there is not: %d", resp.StatusCode)
	}
}

// TestHostileIdsStayIds: whatever stands in a path or a name reaches nothing but whoever keeps accounts, and no header.
func TestHostileIdsStayIds(t *testing.T) {
	h := open(t)
	for _, id := range []string{"..%2f..%2fetc%2fpasswd", "%2e%2e", "a%0d%0aSet-Cookie:%20x=1", "%00", "a%22b", "%3Cb%3E", "%E2%80%AE", "x%3B%20drop"} {
		resp, answer := send(t, h, "GET", "/api/v1/people/"+id, "", nil)
		if resp.StatusCode != 404 && resp.StatusCode != 307 && resp.StatusCode != 301 || len(resp.Cookies()) != 0 {
			t.Errorf("%s: %d %v %s", id, resp.StatusCode, resp.Header, answer)
		}
	}
	for _, name := range []string{"a\r\nSet-Cookie: x=1", "<script>alert(1)</script>", "=1+1", "\u202e"} {
		body := fmt.Sprintf(`{"id": "p-07", "name": %q, "roles": []}`, name)
		resp, answer := send(t, h, "POST", peoplePath, strings.ReplaceAll(body, `\u202e`, "\u202e"), nil)
		if len(resp.Cookies()) != 0 || resp.Header.Get("Content-Type") != "application/json" && resp.StatusCode == 200 || resp.Header.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%q: %d %v %s", name, resp.StatusCode, resp.Header, answer)
		}
	}
	if strings.Contains(h.logged.String(), "Set-Cookie") {
		t.Error("the log holds what a name tried to write into it")
	}
}

// TestAProviderSendsTheBrowserBack: only the browser that began it comes in, once, and by a page that its cookie goes along from.
func TestAProviderSendsTheBrowserBack(t *testing.T) {
	h := open(t)
	stay := &http.Client{Transport: http.DefaultClient.Transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	if resp, _ := ask(t, "GET", h.base+openIDPath, nil); resp.StatusCode != 409 {
		t.Errorf("without a provider: %d", resp.StatusCode)
	}
	h.access.ways = rights.Ways{OpenID: "the seed bank"}
	resp, err := stay.Get(h.base + openIDPath)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	to, _ := resp.Location()
	if resp.StatusCode != 303 || to == nil || to.Query().Get("redirect_uri") != h.base+backPath || len(resp.Cookies()) != 1 {
		t.Fatalf("%d to %v with %v", resp.StatusCode, to, resp.Cookies())
	}
	flow := resp.Cookies()[0]
	if flow.SameSite != http.SameSiteLaxMode || !flow.HttpOnly || flow.MaxAge != 600 {
		t.Errorf("the cookie is %s", flow)
	}
	state := to.Query().Get("state")
	back := func(state string, cookies ...*http.Cookie) *http.Response {
		resp, _ := ask(t, "GET", h.base+backPath+"?code=c&state="+state, func(r *http.Request) {
			r.Header.Set("Sec-Fetch-Site", "cross-site")
			r.Header.Set("Sec-Fetch-Mode", "navigate")
			for _, c := range cookies {
				r.AddCookie(c)
			}
		})
		return resp
	}
	for name, resp := range map[string]*http.Response{"another browser": back(state), "another state": back("other", flow), "no state": back("", flow),
		"the state of another": back("state-x", &http.Cookie{Name: flow.Name, Value: "state-x"})} {
		if resp.StatusCode == 200 || len(h.access.sessions) != 0 {
			t.Errorf("%s: %d, %d sessions", name, resp.StatusCode, len(h.access.sessions))
		}
	}
	resp = back(state, flow)
	if resp.StatusCode != 200 || len(h.access.sessions) != 1 || len(resp.Cookies()) != 2 || resp.Cookies()[1].SameSite != http.SameSiteStrictMode {
		t.Errorf("%d, %d sessions, %v", resp.StatusCode, len(h.access.sessions), resp.Cookies())
	}
	if resp = back(state, flow); resp.StatusCode == 200 || len(h.access.sessions) != 1 {
		t.Errorf("the same once more: %d", resp.StatusCode)
	}
}
