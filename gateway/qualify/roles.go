package qualify

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/access/ldap"
	"weighpost/gateway/access/openid"
	"weighpost/gateway/config"
	"weighpost/gateway/rights"
)

func (u *run) roles() []planned {
	return []planned{{"roles.routes", u.routes}, {"roles.strangers", u.strangers}}
}

// house is a daemon inside this process, with the lab's roles and policies and nothing else of the lab's.
type house struct {
	*gateway.Gateway
	url, token string
	client     *http.Client
}

// route is one way to ask the daemon for something, with the rights of which one is enough.
type route struct {
	method, path string
	rights       []rights.Right
}

func (r route) String() string { return r.method + " " + r.path }

// openHouse starts it. end stops it.
func (u *run) openHouse(ctx context.Context, name string) (h *house, end func() error, err error) {
	folder := filepath.Join(u.scratch, name)
	cfg, faults := config.Load(filepath.Join(folder, "weighpost.yaml"),
		[]byte("site: "+u.Config.Site+"\njournal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: \"127.0.0.1:0\"}\n"))
	if err := errors.Join(faults.Err(), os.MkdirAll(folder, 0o700)); err != nil {
		return nil, nil, err
	}
	cfg.People = u.Config.People
	cfg.People.Directory, cfg.People.OpenID = ldap.Config{}, openid.Config{} // nobody outside is asked
	cfg.Settings, cfg.Review, cfg.Procedures = u.Config.Settings, u.Config.Review, u.Config.Procedures
	h = &house{Gateway: gateway.New(cfg, gateway.Options{Hasher: u.Hasher}), client: &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	if err := h.Start(ctx); err != nil {
		return nil, nil, err
	}
	end = func() error {
		h.client.CloseIdleConnections()
		limit, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
		defer cancel()
		return h.Stop(limit)
	}
	token, err := os.ReadFile(cfg.TokenFile())
	if err != nil {
		return nil, nil, errors.Join(err, end())
	}
	h.url, h.token = strings.TrimSuffix(h.PageURL(), "/"), strings.TrimSpace(string(token))
	return h, end, nil
}

// ask sends a request and gives the status, the beginning of the answer and the cookie. header comes in pairs.
func (h *house) ask(ctx context.Context, method, path, body string, header ...string) (status int, answer []byte, cookie string, err error) {
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel() // also of a stream that would go on
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	req, err := http.NewRequestWithContext(ctx, method, h.url+path, in)
	if err != nil {
		return 0, nil, "", err
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := h.client.Do(req)
	if err != nil {
		return 0, nil, "", err
	}
	defer resp.Body.Close()
	if strings.Contains(resp.Header.Get("Content-Type"), "json") {
		if answer, err = io.ReadAll(io.LimitReader(resp.Body, 16<<20)); err != nil {
			return 0, nil, "", err
		}
	}
	for _, c := range resp.Cookies() {
		if c.Value != "" {
			cookie = c.Name + "=" + c.Value
		}
	}
	return resp.StatusCode, answer, cookie, nil
}

// table reads the routes and their rights from the description that the daemon gives of itself. What is open to everybody, or about one's
// own account, is left out and counted.
func (h *house) table(ctx context.Context) (list []route, left int, err error) {
	status, answer, _, err := h.ask(ctx, http.MethodGet, "/api/v1/openapi.json", "")
	if err != nil || status != http.StatusOK {
		return nil, 0, fmt.Errorf("the daemon does not describe its routes: %s", outcome(status, err))
	}
	var doc struct {
		Paths map[string]map[string]json.RawMessage
	}
	if err := json.Unmarshal(answer, &doc); err != nil {
		return nil, 0, err
	}
	for _, path := range slices.Sorted(maps.Keys(doc.Paths)) {
		for _, method := range []string{"get", "put", "patch", "post", "delete"} {
			var of struct {
				Right rights.Right   `json:"x-right"`
				Or    []rights.Right `json:"x-right-or"`
			}
			raw := doc.Paths[path][method]
			if raw == nil {
				continue
			}
			if err := json.Unmarshal(raw, &of); err != nil {
				return nil, 0, err
			}
			if !slices.Contains(rights.All(), of.Right) || of.Right == rights.OwnAccount {
				left++
				continue
			}
			list = append(list, route{strings.ToUpper(method), path, append([]rights.Right{of.Right}, of.Or...)})
		}
	}
	if len(list) == 0 {
		return nil, 0, errors.New("the daemon describes no route with a right")
	}
	return list, left, nil
}

// filled is a path with names in it that nothing has.
func (r route) filled() string {
	parts := strings.Split(r.path, "/")
	for i, p := range parts {
		if strings.HasPrefix(p, "{") {
			parts[i] = "none-such"
		}
	}
	return strings.Join(parts, "/")
}

// body is what is sent along: nothing that could be carried out.
func (r route) body() string {
	if r.method == http.MethodGet || r.method == http.MethodDelete {
		return ""
	}
	return "{}"
}

// routes asks for everything that the daemon offers, as somebody of each role.
func (u *run) routes(ctx context.Context, t *try) {
	all := u.Config.People.AllRoles()
	t.tried("In a daemon of its own with the lab's roles and policies and a scratch journal: made an account for each of %d roles, signed in, and asked for every route of the API that needs a right, with nothing that could be carried out.", len(all))
	t.expected("Refused (403) exactly where the role has none of the rights that the daemon's own description names for the route.")
	h, end, err := u.openHouse(ctx, "roles")
	if err != nil {
		t.fail("There can be no such daemon: %v.", err)
		return
	}
	defer func() {
		if err := end(); err != nil {
			t.fail("The scratch daemon did not end in good order: %v.", err)
		}
	}()
	table, left, err := h.table(ctx)
	if err != nil {
		t.fail("%v.", err)
		return
	}
	t.saw("%d routes that need a right; %d that are open to everybody or about one's own account were left out.", len(table), left)
	names := slices.Sorted(maps.Keys(all))
	tries := make([]try, len(names)) // one each, since they go on side by side
	var busy sync.WaitGroup
	for i, role := range names {
		busy.Go(func() { h.asRole(ctx, &tries[i], role, all[role], table) })
	}
	busy.Wait()
	for i := range tries {
		t.seen = append(t.seen, tries[i].seen...)
		for _, why := range tries[i].why {
			t.fail("%s", why)
		}
	}
}

// asRole makes somebody with one role, and asks for every route as they.
func (h *house) asRole(ctx context.Context, t *try, role string, has rights.Set, table []route) {
	who, shown := "a person", []string(nil)
	var err error
	if has.Has(rights.OwnAccount) {
		shown, err = h.account(ctx, role)
	} else {
		who = "a program with a key" // nobody with this role alone could choose a secret
		shown, err = h.key(ctx, role)
	}
	if err != nil {
		t.fail("Nobody could sign in with the role %s: %v.", role, err)
		return
	}
	h.walk(ctx, t, role, who, shown, has, table)
}

// walk asks for every route as somebody of one role.
func (h *house) walk(ctx context.Context, t *try, role, who string, shown []string, has rights.Set, table []route) {
	allowed, refused := 0, 0
	for _, r := range table {
		status, answer, _, err := h.ask(ctx, r.method, r.filled(), r.body(), shown...)
		if err != nil {
			t.fail("%s, as %s: no answer: %v.", r, role, err)
			return
		}
		may := slices.ContainsFunc(r.rights, func(one rights.Right) bool { return has.Has(one) })
		switch {
		case status == http.StatusUnauthorized:
			t.fail("%s, as %s: the session does not count.", r, role)
			return
		case may && status == http.StatusForbidden && strings.Contains(string(answer), "needs the right"): // other refusals are about what was asked for
			t.fail("%s is refused to the role %s, which has the right %s.", r, role, r.rights[0])
		case !may && status != http.StatusForbidden:
			t.fail("%s is not refused to the role %s, which has not the right %s: status %d.", r, role, r.rights[0], status)
		case may:
			allowed++
		default:
			refused++
		}
	}
	t.saw("%s (%s): %d routes let in, %d refused, as the rights of the role say.", role, who, allowed, refused)
}

// step asks for one thing, with a body of JSON, that has to be answered with 200.
func (h *house) step(ctx context.Context, method, path string, v map[string]any, answer any, header ...string) (cookie string, err error) {
	body, err := json.Marshal(v)
	if err != nil {
		return "", err
	}
	status, got, cookie, err := h.ask(ctx, method, path, string(body), header...)
	if err == nil && status != http.StatusOK {
		err = fmt.Errorf("%s %s: status %d: %s", method, path, status, strings.TrimSpace(string(got)))
	}
	if err == nil && answer != nil {
		err = json.Unmarshal(got, answer)
	}
	return cookie, err
}

// account adds somebody with one role and signs them in. The first secret is good for choosing another alone. It gives the headers that
// show who they are.
func (h *house) account(ctx context.Context, role string) (shown []string, err error) {
	id, first, secret := "q-"+role, rand.Text(), rand.Text()+" "+rand.Text()+" "+rand.Text()
	if _, err := h.step(ctx, http.MethodPost, "/api/v1/people", map[string]any{"id": id, "name": "Qualification " + role, "roles": []string{role}, "secret": first}, nil,
		"Authorization", "Bearer "+h.token); err != nil {
		return nil, err
	}
	cookie, err := h.step(ctx, http.MethodPost, "/api/v1/session", map[string]any{"login": id, "secret": first}, nil)
	if err != nil {
		return nil, err
	}
	changed, err := h.step(ctx, http.MethodPut, "/api/v1/session/secret", map[string]any{"old": first, "secret": secret}, nil,
		"Cookie", cookie, "X-Weighpost-Page", "1", "Origin", h.url)
	return []string{"Cookie", cmp.Or(changed, cookie), "X-Weighpost-Page", "1", "Origin", h.url}, err
}

// key makes a key for a program with one role, and gives the headers that show it.
func (h *house) key(ctx context.Context, role string) (shown []string, err error) {
	var made struct{ Key string }
	_, err = h.step(ctx, http.MethodPost, "/api/v1/keys", map[string]any{"id": "q-" + role, "name": "Qualification " + role, "roles": []string{role}, "reason": "qualification test"}, &made,
		"Authorization", "Bearer "+h.token)
	return []string{"Authorization", "Bearer " + made.Key}, err
}

// strangers asks for everything that changes something, as nobody.
func (u *run) strangers(ctx context.Context, t *try) {
	t.tried("In a daemon of its own with the lab's policies: asked for every route of the API that changes something, without and with a wrong token.")
	t.expected("Each is refused (401, or 429 where it was tried too often).")
	h, end, err := u.openHouse(ctx, "strangers")
	if err != nil {
		t.fail("There can be no such daemon: %v.", err)
		return
	}
	defer func() {
		if err := end(); err != nil {
			t.fail("The scratch daemon did not end in good order: %v.", err)
		}
	}()
	table, _, err := h.table(ctx)
	if err != nil {
		t.fail("%v.", err)
		return
	}
	refused := 0
	for _, r := range table {
		if r.method == http.MethodGet {
			continue
		}
		for _, header := range [][]string{nil, {"Authorization", "Bearer " + rand.Text()}} {
			status, _, _, err := h.ask(ctx, r.method, r.filled(), r.body(), header...)
			if err != nil || status != http.StatusUnauthorized && status != http.StatusTooManyRequests {
				t.fail("%s is not refused to somebody who is not known: %s.", r, outcome(status, err))
				continue
			}
			refused++
		}
	}
	t.saw("%d requests, all refused.", refused)
}
