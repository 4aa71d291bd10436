package walked

import (
	"cmp"
	"encoding/json"
	"io"
	"net/http"
	"net/http/cookiejar"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"weighpost/configs"
	"weighpost/gateway"
	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/gateway/screens"
)

// house is a lab with something of everything to look at, for whoever it is that looks.
type house struct {
	*lab
	host   *visitor
	fill   *strings.Replacer // puts what there is here into the places of addresses
	begun  *strings.Replacer // likewise a run and a request
	routes []route

	mux     *http.ServeMux // of the pages
	rightOf map[string]rights.Right
}

// route is one of the API's, as its own description has it.
type route struct {
	method, path string
	right        rights.Right
}

// visitor is somebody at a page, as far as requests go.
type visitor struct {
	h          *house
	bearer     string
	id, secret string // "": nobody
	http       *http.Client
}

const houseText = `
checks:
- {name: daily, measures: accuracy, questions: ["Does the balance stand level?"], loads: [20 g], tolerance: {mass: 5 mg}}
fitness: {schedule: [{check: daily, every: day}]}
sinks:
- {id: shelf, kind: files, folder: SHELF}
balances:
- id: b-1
  serial: SB-4410
  place: sorting room
  port: {address: "tcp://%", dial_timeout: 1s}
  layout: line.yaml
  readability: 0.001 g
  capacity: 100 g
  scanner: {rules: [{prefix: LOT-, item: sample, uses: -1}]}
- {id: b-2, port: {address: "tcp://127.0.0.1:9", dial_timeout: 1s}, layout: line.yaml}
`

// openHouse has one balance that printed one weight, one whose port does not open, a sink, and a balance that is being added.
func openHouse(t *testing.T, page, more string) *house {
	t.Helper()
	b := newBalance(t)
	h := &house{lab: startLab(t, "", page, strings.NewReplacer("%", b.address, "SHELF", t.TempDir()).Replace(houseText)+more)}
	for limit := time.Now().Add(patience); !h.Balances()[0].PortUp; time.Sleep(10 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("the port is not opened")
		}
	}
	time.Sleep(300 * time.Millisecond) // of silence: the line is heard from its beginning
	b.sends("W 12.345 g S\r\n")
	id := strings.Split(h.has(1, record.KindWeighing, "12.345").ID, "/")
	h.host = h.visitor("")
	h.host.bearer = h.token("api.token")
	h.fails(b)
	status, text := h.host.asks("POST", "/api/v1/setup/visits", `{"by": "ada"}`)
	var visit struct{ ID string }
	if err := json.Unmarshal([]byte(text), &visit); err != nil || status != http.StatusOK {
		t.Fatalf("%d %s %v", status, text, err)
	}
	// What pages and routes name, the longer ones first.
	h.fill = strings.NewReplacer("/add/{id}", "/add/"+visit.ID, "/visits/{id}", "/visits/"+visit.ID, "/people/{id}", "/people/cy", "/settings/checks/{id}", "/settings/checks/daily", "/weights/{id}", "/weights/f1-20", "{weight}", "f1-20", "{container}", "cr-1", "{procedure}", "net-by-tare", "{version}", "1", "{check}", "c000001", "/keys/{id}", "/keys/k-1",
		"/sinks/{id}", "/sinks/shelf", "/pending/{id}", "/pending/1", "{sink}", "shelf", "{id}", "b-1", "{site}", id[0], "{incarnation}", id[1], "{balance}", id[2], "{number}", id[3],
		"{seq}", "1", "{section}", "people", "{topic}", "bench", "{sample}", "LOT-1", "{session}", "s-1", "{name}", "print", "{step}", "next", "{$}", "")
	h.writes()
	h.begun = h.begins()
	h.describe()
	h.mux, h.rightOf = http.NewServeMux(), map[string]rights.Right{}
	for _, p := range h.allPages() {
		h.mux.Handle(p.Pattern, http.NotFoundHandler())
		h.rightOf[p.Pattern] = p.Right
	}
	return h
}

// writes has a version of a procedure wait for whoever adopts it.
func (h *house) writes() {
	h.t.Helper()
	ready, err := configs.Procedures.ReadFile("procedures/net-by-tare.yaml")
	if err != nil {
		h.t.Fatal(err)
	}
	text, _ := json.Marshal(map[string]string{"text": string(ready), "reason": "its first version", "by": "ada"})
	if status, answer := h.host.asks("POST", "/api/v1/procedures", string(text)); status != http.StatusOK {
		h.t.Fatalf("%d %s", status, answer)
	}
}

// fails has b-1 checked, with a weight that is registered for it, and found too far off: it is out of service then, and what it printed before is
// in doubt.
func (h *house) fails(b *balance) {
	h.t.Helper()
	must := func(method, path, body string) {
		h.t.Helper()
		if status, text := h.host.asks(method, path, body); status != http.StatusOK {
			h.t.Fatalf("%s %s: %d %s", method, path, status, text)
		}
	}
	must("PUT", "/api/v1/reference-weights/f1-20", `{"nominal":"20 g","class":"F1","certificate":{"number":"4711","date":"2020-01-15","due":"2099-01-15"},"reason":"new","by":"ada"}`)
	must("PUT", "/api/v1/reference-weights/f1-20/file?name=4711.pdf&by=ada", "%PDF-1.7\nCertificate 4711\n")
	must("POST", "/api/v1/balances/b-1/check", `{"check":"daily","weights":["f1-20"],"by":"ada"}`)
	must("POST", "/api/v1/balances/b-1/check/act", `{"answer":"yes","by":"ada"}`)
	b.sends("W 0.000 g S\r\n")
	for limit := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		if v, runs := h.CheckOn("b-1"); runs && v.Waiting == "place" {
			break
		}
		if time.Now().After(limit) {
			h.t.Fatal("the check never waits for its weight")
		}
	}
	b.sends("W 20.020 g S\r\n")
	h.has(1, record.KindCheckEnded, `"failed"`)
	for limit := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		if v, _ := h.FitnessOf("b-1"); v.Fitness.State == record.OutOfService && v.Running == nil {
			return
		}
		if time.Now().After(limit) {
			h.t.Fatal("a balance whose check failed is not out of service")
		}
	}
}

// describe reads which routes the API has.
func (h *house) describe() {
	h.t.Helper()
	_, text := h.host.asks("GET", "/api/v1/openapi.json", "")
	var doc struct {
		Paths map[string]map[string]json.RawMessage
	}
	if err := json.Unmarshal([]byte(text), &doc); err != nil {
		h.t.Fatal(err)
	}
	for path, item := range doc.Paths {
		for method, raw := range item {
			var op struct {
				Right rights.Right `json:"x-right"`
			}
			if json.Unmarshal(raw, &op) == nil && op.Right != "" {
				h.routes = append(h.routes, route{strings.ToUpper(method), path, op.Right})
			}
		}
	}
	slices.SortFunc(h.routes, func(a, b route) int { return strings.Compare(a.path+a.method, b.path+b.method) })
	if len(h.routes) < 60 {
		h.t.Fatalf("the description has %d routes", len(h.routes))
	}
}

// allPages are all that the program has.
func (h *house) allPages() (list []console.Screen) {
	there := screens.Deps{Access: struct{ console.Access }{}, Settings: (*gateway.Gateway)(nil), Procedures: (*gateway.Gateway)(nil)} // with all pages, none of which is shown from here
	return screens.New(there).Routes()
}

// pages are all that there are, each with the right that it needs, and its address here.
func (h *house) pages() (list []route) {
	for _, p := range h.allPages() {
		if p.Page {
			list = append(list, route{"GET", h.filled(p.Pattern), p.Right})
		}
	}
	if len(list) < 35 {
		h.t.Fatalf("there are %d pages", len(list))
	}
	return list
}

// visitor is a browser in which nobody is signed in; with an id somebody is, who gets an account with the role of that name.
func (h *house) visitor(role string) *visitor {
	h.t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		h.t.Fatal(err)
	}
	v := &visitor{h: h, http: &http.Client{Jar: jar, Transport: &http.Transport{}, Timeout: patience,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
	h.t.Cleanup(v.http.CloseIdleConnections)
	if role == "" {
		return v
	}
	v.id, v.secret = "the-"+role, "seven sheaves of "+role+" by the gate"
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"})
	_, err = h.People().AddPerson(h.t.Context(), host, rights.NewPerson{ID: v.id, Name: "The " + role, Roles: []string{role}, Secret: "first " + v.secret, Reason: "a test"})
	if err != nil {
		h.t.Fatal(err)
	}
	v.signIn("first " + v.secret)
	if status, text := v.asks("PUT", "/api/v1/session/secret", v.in("old", "first "+v.secret, "secret", v.secret)); status != http.StatusOK {
		h.t.Fatalf("%s has no other secret: %d %s", v.id, status, text)
	}
	return v
}

// in is an object of texts.
func (*visitor) in(names ...string) string {
	m := map[string]string{}
	for i := 0; i < len(names); i += 2 {
		m[names[i]] = names[i+1]
	}
	raw, _ := json.Marshal(m)
	return string(raw)
}

func (v *visitor) signIn(secret string) {
	v.h.t.Helper()
	if status, text := v.asks("POST", "/api/v1/session", v.in("login", v.id, "secret", secret)); status != http.StatusOK {
		v.h.t.Fatalf("%s cannot sign in: %d %s", v.id, status, text)
	}
}

func (v *visitor) may(right rights.Right) bool {
	if right == console.Everybody {
		return true
	}
	if v.id == "" { // a visitor on this computer, as long as the configuration says nothing else
		return rights.Of(rights.See, rights.ReadJournal, rights.Export, rights.ReadSettings, rights.Measurements).Has(right)
	}
	return rights.Defaults()[strings.TrimPrefix(v.id, "the-")].Has(right)
}

// get asks for a page, or something that pages are made of.
func (v *visitor) get(path string) (*http.Response, string) {
	v.h.t.Helper()
	return v.request("GET", path, "")
}

// asks asks the API as a script of a page does.
func (v *visitor) asks(method, path, body string) (int, string) {
	v.h.t.Helper()
	resp, text := v.request(method, path, body)
	return resp.StatusCode, text
}

func (v *visitor) request(method, path, body string) (*http.Response, string) {
	t := v.h.t
	t.Helper()
	base := strings.TrimSuffix(v.h.PageURL(), "/")
	req, err := http.NewRequestWithContext(t.Context(), method, base+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if v.bearer != "" {
		req.Header.Set("Authorization", "Bearer "+v.bearer)
	} else {
		req.Header.Set("Origin", base)
		req.Header.Set("Sec-Fetch-Site", "same-origin")
		req.Header.Set("X-Weighpost-Page", "1")
	}
	switch {
	case strings.HasPrefix(body, "%PDF"):
		req.Header.Set("Content-Type", "application/pdf")
	case body != "":
		req.Header.Set("Content-Type", "application/json")
	}
	resp, err := v.http.Do(req)
	if err != nil {
		t.Fatalf("%s %s: %v", method, path, err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, 4<<20))
	if err != nil {
		t.Fatalf("%s %s: %v", method, path, err)
	}
	return resp, string(text)
}

// offers are what a page has to press that asks the API: its method and path.
func offers(page string) (list [][2]string) {
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		return nil
	}
	var bench, visit, run string
	shut := map[*html.Node]bool{}
	for n := range doc.Descendants() {
		a := attributes(n)
		_, off := a["disabled"]
		_, waits := a["data-waits"] // for its script, which every page has
		switch method, path, _ := strings.Cut(a["data-send"], " "); {
		case path != "":
			list = append(list, [2]string{method, path})
		case n.Data == "fieldset" && off && !waits:
			shut[n.Parent] = true
		case a["id"] == "bench":
			bench = a["data-balance"]
		case a["id"] == "visit":
			visit = a["data-visit"]
		case a["data-step"] != "" && bench != "":
			list = append(list, [2]string{"POST", "/api/v1/balances/" + bench + "/steps/" + a["data-step"]})
		case n.Data == "form" && a["id"] == "answer" && visit != "":
			list = append(list, [2]string{"POST", "/api/v1/setup/visits/" + visit + "/answer"})
		case a["id"] == "run":
			run = a["data-api"]
		case run != "" && (has(a, "data-act") || n.Data == "form" && has(a, "data-field")):
			list = append(list, [2]string{"POST", run + "/act"})
		case n.Data == "form" && a["id"] == "begin" && has(a, "data-procedure"):
			list = append(list, [2]string{"POST", "/api/v1/runs"})
		case n.Data == "form" && a["id"] == "judge":
			if _, there := buttonOf(n); there {
				list = append(list, [2]string{"POST", a["data-address"]})
			}
		case n.Data == "form" && a["id"] == "procedure":
			list = append(list, [2]string{"POST", "/api/v1/procedures/judge"}, [2]string{"POST", "/api/v1/procedures"})
		case n.Data == "form" && has(a, "data-weight"):
			list = append(list, [2]string{"PUT", cmp.Or(a["data-of"], "/api/v1/reference-weights/w-new")})
		case n.Data == "form" && a["id"] == "decide":
			list = append(list, [2]string{"POST", "/api/v1/deliveries/" + a["data-sink"] + "/retry"}, [2]string{"POST", "/api/v1/deliveries/" + a["data-sink"] + "/drop"})
		}
	}
	for n := range doc.Descendants() {
		if a := attributes(n); a["id"] == "settings" && n.Data == "form" && !shut[n] {
			path := a["data-path"]
			if strings.HasSuffix(path, "/") { // of something new, whose id is typed
				path += "new-1"
			}
			list = append(list, [2]string{a["data-method"], path})
		}
	}
	return list
}

func has(m map[string]string, key string) bool {
	_, there := m[key]
	return there
}

// buttonOf is what sends a form; a form without one only holds a list.
func buttonOf(form *html.Node) (*html.Node, bool) {
	for n := range form.Descendants() {
		if n.Data == "button" && attributes(n)["type"] == "submit" {
			return n, true
		}
	}
	return nil, false
}

func attributes(n *html.Node) map[string]string {
	m := map[string]string{}
	for _, a := range n.Attr {
		m[a.Key] = a.Val
	}
	return m
}

var endsSession = regexp.MustCompile(`/sessions?(/|$)`)

// TestNobodyIsOfferedWhatIsRefused: as everybody that there is, every page is seen or not as its right says, what is on it to press is
// not refused for want of a right, and everything else that changes something is refused when it is forced, and leaves nothing.
func TestNobodyIsOfferedWhatIsRefused(t *testing.T) {
	t.Parallel()
	h := openHouse(t, "", "")
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "a test"})
	if _, err := h.People().AddPerson(t.Context(), host, rights.NewPerson{ID: "cy", Name: "Cy Marsh", Roles: []string{rights.Operator}, Reason: "a test"}); err != nil {
		t.Fatal(err)
	}
	var all []*visitor
	for _, role := range []string{rights.IT, rights.Operator, rights.Reviewer, rights.BalanceKeeper, rights.Auditor, ""} { // visitors last: they are soon put off
		all = append(all, h.visitor(role))
	}
	for _, v := range all {
		v.forced(cmp.Or(v.id, "a visitor"))
	}
	for _, v := range all {
		v.walks(cmp.Or(v.id, "a visitor"))
	}
}

// walks looks at every page, and presses what is offered there.
func (v *visitor) walks(name string) {
	t := v.h.t
	t.Helper()
	seen, pressed := 0, map[[2]string]int{}
	for _, p := range v.h.pages() {
		resp, text := v.get(p.path)
		want := http.StatusOK
		switch {
		case v.may(p.right):
		case v.id == "":
			want = http.StatusSeeOther
		default:
			want = http.StatusForbidden
		}
		if resp.StatusCode != want {
			t.Errorf("%s: %s needs %s: %d, want %d", name, p.path, p.right, resp.StatusCode, want)
			continue
		}
		if want == http.StatusSeeOther && !strings.HasPrefix(resp.Header.Get("Location"), "/sign-in?to=") {
			t.Errorf("%s: %s leads to %s", name, p.path, resp.Header.Get("Location"))
		}
		if want == http.StatusOK {
			seen++
		}
		v.follows(name, p.path, text)
		for _, o := range offers(text) {
			if pressed[o] == 0 {
				pressed[o] = v.presses(name, p.path, o)
			}
		}
	}
	t.Logf("%s: %d pages, %d ways to act on them", name, seen, len(pressed))
	if acts := len(pressed); v.id != "" && acts < 2 || v.id == "the-"+rights.IT && acts < 12 {
		t.Errorf("%s is offered %d ways to act: the walk is wrong", name, acts)
	}
}

// follows looks where the links of a page lead: nobody who is signed in is led to a page that is not for them.
func (v *visitor) follows(name, page, text string) {
	doc, err := html.Parse(strings.NewReader(text))
	if err != nil || v.id == "" { // visitors are led to where they sign in
		return
	}
	for n := range doc.Descendants() {
		to := attributes(n)["href"]
		if n.Data != "a" || !strings.HasPrefix(to, "/") {
			continue
		}
		r, err := http.NewRequest(http.MethodGet, to, nil)
		if err != nil {
			v.h.t.Errorf("%s: %s leads to %q: %v", name, page, to, err)
			continue
		}
		if _, pattern := v.h.mux.Handler(r); pattern != "" && !v.may(v.h.rightOf[pattern]) {
			v.h.t.Errorf("%s: %s leads to %s, which needs %s", name, page, to, v.h.rightOf[pattern])
		}
	}
}

// presses has what a page offers carried out with nothing filled in. Whether that is enough is another question.
func (v *visitor) presses(name, page string, o [2]string) int {
	v.h.t.Helper()
	body := "{}"
	if o[0] == "DELETE" {
		body = ""
	}
	status, text := v.asks(o[0], o[1], body)
	if status == http.StatusForbidden || status == http.StatusUnauthorized && v.id != "" {
		v.h.t.Errorf("%s: %s offers %s %s, which is refused: %d %s", name, page, o[0], o[1], status, text)
	}
	if status >= 500 && status != http.StatusServiceUnavailable || status == http.StatusNotFound && strings.Contains(text, "nothing at this address") {
		v.h.t.Errorf("%s: %s offers %s %s: %d %s", name, page, o[0], o[1], status, text)
	}
	if v.id != "" && status < 300 && o[0] == "DELETE" && endsSession.MatchString(o[1]) {
		v.signIn(v.secret)
	}
	return status
}

// forced asks, as a script of a page would, for everything that this one may not do.
func (v *visitor) forced(name string) {
	t := v.h.t
	t.Helper()
	acts := []record.Kind{record.KindPersonChanged, record.KindConfigured, record.KindContextChanged, record.KindCommand, record.KindAPIKeyChanged, record.KindBackup,
		record.KindSealed, record.KindKeyRotated, record.KindClockCorrected, record.KindTrailReviewed, record.KindAccountsReviewed, record.KindSettingsDecided,
		record.KindSampleAnnounced, record.KindParkedRetried, record.KindParkedDropped, record.KindSinkTried, record.KindWeighing,
		record.KindCheckBegun, record.KindCheckStep, record.KindCheckEnded, record.KindFitnessChanged, record.KindUpkeep, record.KindWeightChanged, record.KindAffectedJudged, record.KindFailureClosed}
	before, denied := len(v.h.entries(acts...)), 0
	want := http.StatusForbidden
	if v.id == "" {
		want = http.StatusUnauthorized
	}
	for _, r := range v.h.routes {
		if r.method == "GET" || v.may(r.right) || slices.ContainsFunc(opened[r.method+" "+r.path], v.may) {
			continue
		}
		body := "{}"
		if r.method == "DELETE" {
			body = ""
		}
		denied++
		status, text := v.asks(r.method, v.h.filled(r.path), body)
		if status == http.StatusTooManyRequests && v.id == "" && denied > 5 {
			continue // somebody whom nobody knows is put off after some attempts
		}
		if status != want {
			t.Errorf("%s: %s %s needs %s: %d %s, want %d", name, r.method, r.path, r.right, status, text, want)
		}
	}
	if left := len(v.h.entries(acts...)) - before; left != 0 {
		t.Errorf("%s: what was refused left %d entries", name, left)
	}
	t.Logf("%s: %d acts refused", name, denied)
	if denied < 10 {
		t.Errorf("%s: %d acts refused: the walk is wrong", name, denied)
	}
}
