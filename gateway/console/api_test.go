package console

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"weighpost/gateway/health"
	"weighpost/gateway/record"
)

// bench is a fake intake that holds a context for each of the two balances of the lab.
type bench struct {
	mu       sync.Mutex
	requests []record.ContextRequest
	reads    []record.ReadRequest
	commands []record.CommandRequest
	fixes    []record.ClockCorrection
	reviews  []record.ReviewRequest
	backups  int // made, or told of
	samples  int // times that samples were announced or ended
	seals    []record.SealRequest
	tries    int // of ports
	keys     []record.KeyOrder
	slow     time.Duration // how long Read takes
	held     map[string]record.ContextView
	answer   error // of SetContext, if any
}

func newBench() *bench {
	return &bench{held: map[string]record.ContextView{
		"b-12": {Balance: "b-12", Identity: "confirmed", Items: []record.ContextHeld{}},
		"b-13": {Balance: "b-13", Identity: "confirmed", Items: []record.ContextHeld{}}}}
}

func (b *bench) SetContext(_ context.Context, balance string, r record.ContextRequest) (record.ContextView, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	view, ok := b.held[balance]
	if !ok {
		return view, record.ErrNoBalance
	}
	if b.answer != nil {
		return view, b.answer
	}
	b.requests = append(b.requests, r)
	if r.Sample != nil {
		view.Items = []record.ContextHeld{{Name: "sample", ID: r.Sample.ID, By: r.By, Since: record.UTC(r.At)}}
	}
	if r.SignOut {
		view.Items = []record.ContextHeld{}
	}
	b.held[balance] = view
	return view, nil
}

func (b *bench) ContextOf(balance string) (record.ContextView, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	view, ok := b.held[balance]
	if !ok {
		return view, record.ErrNoBalance
	}
	return view, nil
}

const aCorrection = `{"from": 12, "to": 40, "offset_s": "-3.2", "bound_s": 0.5, "reason": "the battery was flat", "by": "ada"}`

const aKey = `{"reason": "the computer was given to another room", "by": "ada"}`

func (b *bench) ChangeKey(_ context.Context, o record.KeyOrder) (record.KeyAnswer, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.keys = append(b.keys, o)
	return record.KeyAnswer{Seq: 42, Old: "weighpost/north-lab/7qx3+00000001+AQ==", New: "weighpost/north-lab/7qx3+00000002+AQ=="}, nil
}

// CorrectClock has a journal of 40 entries.
func (b *bench) CorrectClock(_ context.Context, c record.ClockCorrection) (record.ClockCorrectionAnswer, error) {
	if c.To > 40 {
		return record.ClockCorrectionAnswer{}, &record.RequestRefused{Why: "The journal ends with entry 40."}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.fixes = append(b.fixes, c)
	return record.ClockCorrectionAnswer{Entry: "north-lab/7qx3/@/000041", Seq: 41, Stamps: c.To - c.From + 1}, nil
}

func (b *bench) count() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.requests) + len(b.reads) + len(b.commands) + len(b.fixes) + len(b.keys) + len(b.seals) + len(b.reviews) + b.backups + b.samples + b.tries
}

func (b *bench) forget() {
	b.requests, b.reads, b.commands, b.fixes, b.keys, b.seals, b.reviews, b.backups, b.samples, b.tries = nil, nil, nil, nil, nil, nil, nil, 0, 0, 0
}

func (b *bench) Read(ctx context.Context, balance string, r record.ReadRequest) (record.ReadAnswer, error) {
	select {
	case <-time.After(b.slow):
	case <-ctx.Done():
		return record.ReadAnswer{}, ctx.Err()
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, ok := b.held[balance]; !ok {
		return record.ReadAnswer{}, record.ErrNoBalance
	}
	if b.answer != nil {
		return record.ReadAnswer{}, b.answer
	}
	b.reads = append(b.reads, r)
	a := record.ReadAnswer{Balance: balance, Value: record.Value{Digits: "12.3450", Unit: "g", PrintedUnit: "g", Kind: "net", Stability: "stable", Range: "in"},
		Stamp: record.Stamp{UTC: record.UTC(time.Now()), Zone: "+01:00", Clock: "unchecked"}}
	if r.Record {
		a.Recorded = "north-lab/7qx3/b-12/000184"
	}
	return a, nil
}

// TryPort has one port that opens, and one that does not.
func (b *bench) TryPort(_ context.Context, balance string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, ok := b.held[balance]; !ok {
		return record.ErrNoBalance
	}
	b.tries++
	if balance == "b-13" {
		return &PortShut{Why: "there is no /dev/ttyUSB1. Plug the adapter in"}
	}
	return nil
}

func (b *bench) Commands(balance string) ([]record.CommandInfo, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, ok := b.held[balance]; !ok {
		return nil, record.ErrNoBalance
	}
	if balance == "b-13" {
		return nil, nil
	}
	return []record.CommandInfo{{Name: "tare", About: "Tare", Caution: "Only with an empty vessel.", Send: `"vessel\r\n"`, Answer: "frame"}}, nil
}

func (b *bench) Command(_ context.Context, balance string, r record.CommandRequest) (record.CommandAnswer, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if _, ok := b.held[balance]; !ok {
		return record.CommandAnswer{}, record.ErrNoBalance
	}
	if r.Name != "tare" {
		return record.CommandAnswer{}, record.ErrNoCommand
	}
	if b.answer != nil {
		return record.CommandAnswer{}, b.answer
	}
	b.commands = append(b.commands, r)
	return record.CommandAnswer{Balance: balance, Command: r.Name, Caution: "Only with an empty vessel.", Entry: "north-lab/7qx3/@/000077",
		State: "answered", Answer: []byte("OK\r\n"), Text: `"OK\r\n"`}, nil
}

const (
	testToken = "a-token-for-tests-only-0123456789"
	aSample   = `{"sample": {"id": "LOT-1003", "uses": 1}}`
)

// send asks for a change with everything as it should be, after change has had its way with it.
func send(t *testing.T, h *house, method, path, body string, change func(*http.Request)) (*http.Response, string) {
	t.Helper()
	return askWith(t, method, h.base+path, body, func(r *http.Request) {
		r.Header.Set("Authorization", "Bearer "+testToken)
		if kinds := bodyTypes[method]; kinds != nil {
			r.Header.Set("Content-Type", kinds[0])
		}
		if method == http.MethodPut && strings.HasSuffix(r.URL.Path, "/file") {
			r.Header.Set("Content-Type", "application/pdf")
		}
		if r.URL.Path == picturesPath {
			r.Header.Set("Content-Type", "image/png")
		}
		if change != nil {
			change(r)
		}
	})
}

func TestAContextIsSetChangedShownAndEnded(t *testing.T) {
	h := open(t)
	const path = "/api/v1/balances/b-12/context"
	show := func() string {
		t.Helper()
		resp, body := ask(t, "GET", h.base+path, nil)
		if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "application/json" {
			t.Errorf("%d %s %s", resp.StatusCode, resp.Header.Get("Content-Type"), body)
		}
		return strings.TrimSpace(body)
	}
	if got, want := show(), `{"balance":"b-12","identity":"confirmed","items":[]}`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	before := time.Now()
	resp, body := send(t, h, "PUT", path, aSample, nil)
	if resp.StatusCode != 200 || !strings.Contains(body, `"id":"LOT-1003"`) || show() != strings.TrimSpace(body) {
		t.Errorf("PUT: %d %s; GET: %s", resp.StatusCode, body, show())
	}
	r := h.bench.requests[0]
	if !r.Whole || r.SignOut || r.By != "sent" || r.Where != "http 127.0.0.1" || r.Sample.Uses != 1 || r.At.Before(before) || r.At.After(time.Now()) {
		t.Errorf("PUT asks for %+v", r)
	}
	for _, kind := range []string{"application/merge-patch+json", "application/json", "application/json; charset=utf-8"} {
		resp, body = send(t, h, "PATCH", path, `{"lot": {"id": "L1"}, "sample": null}`, func(r *http.Request) { r.Header.Set("Content-Type", kind) })
		r = h.bench.requests[h.bench.count()-1]
		if resp.StatusCode != 200 || r.Whole || r.SignOut || r.Lot.ID != "L1" || r.Sample == nil || r.Sample.ID != "" || r.Person != nil {
			t.Errorf("PATCH %s: %d %s asks for %+v", kind, resp.StatusCode, body, r)
		}
	}
	resp, body = send(t, h, "DELETE", path, "", nil)
	if r = h.bench.requests[h.bench.count()-1]; resp.StatusCode != 200 || !r.SignOut || show() != strings.TrimSpace(body) {
		t.Errorf("DELETE: %d %s asks for %+v", resp.StatusCode, body, r)
	}
}

func TestBalancesAreListedAndShown(t *testing.T) {
	h := open(t)
	var all struct{ Balances []Balance }
	resp, body := ask(t, "GET", h.base+"/api/v1/balances", nil)
	if err := json.Unmarshal([]byte(body), &all); err != nil || resp.StatusCode != 200 || len(all.Balances) != 2 || all.Balances[0].ID != "b-12" {
		t.Errorf("%d %s %v", resp.StatusCode, body, err)
	}
	var one Balance
	resp, body = ask(t, "GET", h.base+"/api/v1/balances/b-13", nil)
	if err := json.Unmarshal([]byte(body), &one); err != nil || resp.StatusCode != 200 || one.ID != "b-13" || one.Unkept != 4 {
		t.Errorf("%d %s %v", resp.StatusCode, body, err)
	}
	for _, path := range []string{"/api/v1/balances/b-99", "/api/v1/balances/b-99/context", "/api/v1/nothing", "/api/", "/api/v2/balances"} {
		resp, body := ask(t, "GET", h.base+path, nil)
		if resp.StatusCode != 404 || strings.HasSuffix(path, "b-99") && !strings.Contains(body, "b-12, b-13") {
			t.Errorf("%s: %d %s", path, resp.StatusCode, body)
		}
		checkProblem(t, resp, body)
	}
}

// changing gives every route of the API that is not for looking only, from its own description.
func changing(t *testing.T, doc *huma.OpenAPI) (routes [][2]string) {
	t.Helper()
	for path, item := range doc.Paths {
		for method, op := range map[string]*huma.Operation{"PUT": item.Put, "PATCH": item.Patch, "POST": item.Post, "DELETE": item.Delete} {
			if op != nil {
				routes = append(routes, [2]string{method, filled(path)})
			}
		}
	}
	if len(routes) < 5 {
		t.Fatalf("only %v change anything: the walk is wrong", routes)
	}
	return routes
}

// TestNoRouteChangesAnythingForAStranger walks every route that changes something, with each thing wrong by itself.
func TestNoRouteChangesAnythingForAStranger(t *testing.T) {
	h := open(t)
	header := func(name string, values ...string) func(*http.Request) {
		return func(r *http.Request) {
			r.Header.Del(name)
			for _, v := range values {
				r.Header.Add(name, v)
			}
		}
	}
	large := `{"sample": {"id": "` + strings.Repeat("x", bodyLimit) + `"}}`
	cases := []struct {
		name   string
		change func(*http.Request)
		body   string // "": a good one
		want   int
		bodied bool // only for methods with a body
	}{
		{name: "no token", change: header("Authorization"), want: 401},
		{name: "wrong token", change: header("Authorization", "Bearer "+testToken+"x"), want: 401},
		{name: "empty token", change: header("Authorization", "Bearer "), want: 401},
		{name: "half a token", change: header("Authorization", "Bearer "+testToken[:20]), want: 401},
		{name: "token of another scheme", change: header("Authorization", "Basic "+testToken), want: 401},
		{name: "two tokens", change: header("Authorization", "Bearer "+testToken, "Bearer "+testToken), want: 401},
		{name: "token in the address", change: func(r *http.Request) { r.Header.Del("Authorization"); r.URL.RawQuery = "access_token=" + testToken }, want: 401},
		{name: "token in a cookie", change: func(r *http.Request) {
			r.Header.Del("Authorization")
			r.AddCookie(&http.Cookie{Name: "token", Value: testToken})
		}, want: 401},
		{name: "foreign host", change: func(r *http.Request) { r.Host = "rebound.example:" + h.port }, want: 403},
		{name: "other port", change: func(r *http.Request) { r.Host = "127.0.0.1:1" }, want: 403},
		{name: "foreign origin", change: header("Origin", "http://rebound.example"), want: 403},
		{name: "null origin", change: header("Origin", "null"), want: 403},
		{name: "other site", change: header("Sec-Fetch-Site", "cross-site"), want: 403},
		{name: "form of another site", change: func(r *http.Request) {
			r.Header.Set("Sec-Fetch-Site", "cross-site")
			r.Header.Set("Sec-Fetch-Mode", "navigate")
		}, want: 403},
		{name: "form", change: header("Content-Type", "application/x-www-form-urlencoded"), want: 415, bodied: true},
		{name: "text", change: header("Content-Type", "text/plain"), want: 415, bodied: true},
		{name: "no type", change: header("Content-Type"), want: 415, bodied: true},
		{name: "compressed", change: header("Content-Encoding", "gzip"), want: 415, bodied: true},
		{name: "too large", body: large, want: 413, bodied: true},
		{name: "too large, of no stated length", body: large, change: func(r *http.Request) { r.ContentLength = -1 }, want: 413, bodied: true},
		{name: "no JSON", body: `{"sample": `, want: 400, bodied: true},
		{name: "not UTF-8", body: "{\"sample\": {\"id\": \"\xff\"}}", want: 422, bodied: true},
		{name: "two values", body: aSample + aSample, want: 400, bodied: true},
		{name: "a list", body: `[]`, want: 422, bodied: true},
		{name: "unknown name", body: `{"sampel": {"id": "x"}}`, want: 422, bodied: true},
		{name: "name given twice", body: `{"sample": {"id": "x"}, "sample": {"id": "y"}}`, want: 422, bodied: true},
		{name: "member given twice", body: `{"reason": "x", "reason": "y"}`, want: 422, bodied: true},
		{name: "control character", body: `{"sample": {"id": "x\u0000"}}`, want: 422, bodied: true},
		{name: "mark that turns text", body: `{"sample": {"id": "x\u202e"}}`, want: 422, bodied: true},
		{name: "empty", body: " ", want: 400, bodied: true},
	}
	for _, route := range changing(t, h.doc()) {
		method, path := route[0], route[1]
		for _, c := range cases {
			if c.bodied && bodyTypes[method] == nil || c.want == 401 && h.open(method, path) {
				continue
			}
			if path == labRequestsPath && strings.HasPrefix(c.name, "too large") {
				continue // it takes larger ones: TestTenMegabytesOfRequests
			}
			if c.body != "" && (strings.HasSuffix(path, "/file") || path == picturesPath) {
				continue // its body is no JSON: TestACertificateIsAttachedAndGivenBack and TestAPictureOfASlipIsAPicture have the bad ones
			}
			h.attempts.forget()
			body := c.body
			if body == "" {
				body = goodBody(method, path)
			}
			resp, answer := send(t, h, method, path, body, c.change)
			if resp.StatusCode != c.want || h.changes() != 0 {
				t.Errorf("%s %s, %s: %d %s, want %d; %d changes", method, path, c.name, resp.StatusCode, answer, c.want, h.changes())
			}
			checkProblem(t, resp, answer)
			if c.want == 401 && !strings.HasPrefix(resp.Header.Get("WWW-Authenticate"), "Bearer realm=") {
				t.Errorf("%s: WWW-Authenticate %q", c.name, resp.Header.Get("WWW-Authenticate"))
			}
			for name := range resp.Header {
				if strings.HasPrefix(name, "Access-Control-") || name == "Set-Cookie" {
					t.Errorf("%s: answers with %s", c.name, name)
				}
			}
		}
		as := func(r *http.Request) { r.Header.Set("If-Match", "*") }
		if strings.HasPrefix(path, sessionPath) {
			as = h.enter(t, "operator")
		}
		if strings.HasPrefix(path, settingsPath) {
			as = asSeen
		}
		if strings.HasPrefix(path, settingsPath) && method == "DELETE" {
			path += "?reason=gone&by=ada"
		}
		if strings.HasSuffix(path, "/badges") && method == "DELETE" {
			path += "?code=0047"
		}
		if strings.HasPrefix(path, weightsPath) && method == "DELETE" {
			path += "?reason=lost&by=ada"
		}
		if strings.HasSuffix(path, "/file") {
			path += "?name=4711.pdf&by=ada"
		}
		if path == picturesPath {
			path += "?name=slip.png"
		}
		if resp, answer := send(t, h, method, path, goodBody(method, route[1]), as); resp.StatusCode != 200 || h.changes() < 1 {
			t.Errorf("%s %s with nothing wrong: %d %s, so that the cases above show nothing", method, path, resp.StatusCode, answer)
		}
		h.bench.forget()
		h.access.acts = 0
		h.closet.forget()
		h.hall.acts.Store(0)
		h.shelf.acts = nil
		h.fit.acts, h.shelves.acts = nil, nil
		h.asked.acts.Store(0)
	}
}

// open says whether a route needs no right.
func (h *house) open(method, path string) bool {
	for _, r := range ruledRoutes(h) {
		if r.method == method && filled(r.path) == path {
			return r.right == Everybody
		}
	}
	return false
}

// filled puts ids into a path of the description.
func filled(path string) string {
	id := "b-12"
	if strings.HasPrefix(path, peoplePath) {
		id = "operator"
	}
	return strings.NewReplacer("{id}", id, "{name}", "tare", "{step}", "next", "{session}", "s-1", "{sample}", "LOT-1003", "{sink}", "share", "{check}", "c000001", "{weight}", "f1-200", "{from}", "lims", "{request}", "R-1", "{container}", "cr-1", "{place}", "b-12", "{procedure}", "net", "{version}", "1", "{run}", "r-7qx3-000001", "{report}", aReport,
		slipPath, slipsPath+"/"+aSlip).Replace(path)
}

// goodBody is a body that a route that changes something takes.
func goodBody(method, path string) string {
	if body := deskBody(path); body != "" && method == "POST" {
		return body
	}
	if body := runBody(path); body != "" && (method == "POST" || strings.HasPrefix(path, environmentPath)) {
		return body
	}
	if body := fitnessBody(method, path); body != "" {
		return body
	}
	if body := rackBody(path); body != "" && method == http.MethodPost {
		return body
	}
	switch {
	case path == sessionPath && method == "POST":
		return `{"login": "operator", "secret": "` + aSecret + `"}`
	case path == badgePath:
		return `{"code": "0047", "balance": "b-12"}`
	case path == secretPath:
		return `{"old": "` + aSecret + `", "secret": "` + aSecret + `"}`
	case path == setUpPath:
		return `{"token": "the-one-time-token", "id": "p-01", "name": "Ada Quill", "secret": "` + aSecret + `"}`
	case path == peoplePath:
		return `{"id": "p-07", "name": "Ada Quill", "roles": ["operator"]}`
	case strings.HasPrefix(path, peoplePath) && method == "PATCH":
		return `{"name": "Ada Quill", "reason": "married"}`
	case strings.HasSuffix(path, "/secret-reset"):
		return `{"reason": "forgotten"}`
	case strings.HasSuffix(path, "/pin"):
		return `{"pin": "493817"}`
	case strings.HasSuffix(path, "/badges") && method == "POST":
		return `{"code": "0047"}`
	case path == programsPath:
		return `{"id": "lims", "name": "the lab system", "roles": ["machine"]}`
	case path == accountReviewsPath:
		return `{"at": 90211, "findings": "Nothing unusual."}`
	case path == settingsPath:
		return aChange
	case strings.HasPrefix(path, settingsPath) && method == "PUT":
		return `{"settings": {"place": "Room 2"}, "reason": "moved", "by": "ada"}`
	case strings.HasPrefix(path, deliveriesPath) && strings.HasSuffix(path, "/try-now"):
		return `{"by": "ada"}`
	case strings.HasSuffix(path, "/pause"), strings.HasSuffix(path, "/continue"):
		return `{"reason": "a test", "by": "ada"}`
	case strings.HasPrefix(path, deliveriesPath):
		return `{"entries": [3], "reason": "a test", "by": "ada"}`
	case strings.HasPrefix(path, pendingPath):
		return `{"reason": "right", "by": "ada"}`
	case path == visitsPath:
		return `{"by": "ada"}`
	case path == visitAnswerPath, strings.HasPrefix(path, visitsPath) && strings.HasSuffix(path, "/answer"):
		return `{"question": 3, "answer": "yes", "reason": "a new balance", "by": "ada"}`
	case path == verifiedPath:
		return `{"name": "weighpost-north-lab-7qx3a-20261129t023000z.tar", "where": "/srv/backups", "outcome": "good", "by": "Ada"}`
	case path == backupsPath:
		return `{"by": "Ada"}`
	case bodyTypes[method] == nil:
		return ""
	case strings.HasSuffix(path, "/scan"):
		return `{"raw": "LOT-1003"}`
	case strings.Contains(path, "/steps/"):
		return `{"how": "key"}`
	case path == labRequestsPath:
		return `[{"id": "R-1", "from": "lims", "procedure": "dry-mass", "items": [{"sample": "LOT-1003"}]}]`
	case strings.HasPrefix(path, labRequestsPath) && method == "PATCH":
		return `{"priority": 1, "reason": "the customer waits"}`
	case strings.HasPrefix(path, labRequestsPath):
		return `{"reason": "the lot was withdrawn", "by": "ada"}`
	case path == samplesPath:
		return `{"id": "LOT-1003"}`
	case strings.HasSuffix(path, "/read"):
		return `{"record": true}`
	case strings.Contains(path, "/commands/"), strings.HasSuffix(path, "/port/try"):
		return `{}`
	case strings.HasSuffix(path, "/clock-corrections"):
		return aCorrection
	case strings.HasSuffix(path, "/trail/reviews"):
		return aReview
	case strings.HasSuffix(path, "/journal/seal"):
		return `{"by": "p-07"}`
	case strings.HasSuffix(path, "/journal/keys"):
		return aKey
	}
	return aSample
}

func (a *attempts) forget() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.by = nil
}

func TestMethodsThatARouteDoesNotHave(t *testing.T) {
	h := open(t)
	for path, allow := range map[string]string{
		"/api/v1/balances":               "GET, HEAD, OPTIONS",
		"/api/v1/balances/b-12":          "GET, HEAD, OPTIONS",
		"/api/v1/balances/b-12/context":  "DELETE, GET, HEAD, OPTIONS, PATCH, PUT",
		"/api/v1/balances/b-12/commands": "GET, HEAD, OPTIONS",
		"/api/v1/openapi.json":           "GET, HEAD, OPTIONS",
	} {
		if strings.Contains(path, "openapi") {
			continue // huma's own route; it changes nothing
		}
		for _, method := range []string{"GET", "HEAD", "OPTIONS", "PUT", "PATCH", "POST", "DELETE", "TRACE"} {
			body := ""
			if bodyTypes[method] != nil {
				body = aSample
			}
			resp, answer := send(t, h, method, path, body, nil)
			switch {
			case method == "OPTIONS" && (resp.StatusCode != 204 || resp.Header.Get("Allow") != allow):
				t.Errorf("OPTIONS %s: %d, Allow %q, want %q", path, resp.StatusCode, resp.Header.Get("Allow"), allow)
			case method == "HEAD" && (resp.StatusCode != 200 || answer != ""):
				t.Errorf("HEAD %s: %d %q", path, resp.StatusCode, answer)
			case !slices.Contains(strings.Split(allow, ", "), method):
				if resp.StatusCode != 405 {
					t.Errorf("%s %s: %d %s", method, path, resp.StatusCode, answer)
				}
				checkProblem(t, resp, answer)
			}
		}
	}
}

func TestTheIntakesAnswerIsTheAnswer(t *testing.T) {
	h := open(t)
	const path = "/api/v1/balances/b-12/context"
	for want, c := range map[int]struct {
		err    error
		detail string
	}{
		409: {&record.ContextRefused{Why: "the sample is in use elsewhere"}, "The sample is in use elsewhere."},
		503: {fmt.Errorf("not in the journal yet: %w", context.DeadlineExceeded), "Not in the journal yet"},
		404: {record.ErrNoBalance, "b-12, b-13"},
	} {
		h.bench.answer = c.err
		resp, body := send(t, h, "PUT", path, aSample, nil)
		if resp.StatusCode != want || !strings.Contains(body, c.detail) || want == 503 && resp.Header.Get("Retry-After") == "" {
			t.Errorf("%v: %d %s", c.err, resp.StatusCode, body)
		}
		checkProblem(t, resp, body)
	}
	h.bench.answer = errors.New("anything else")
	if resp, _ := send(t, h, "DELETE", path, "", nil); resp.StatusCode != 503 {
		t.Errorf("%d", resp.StatusCode)
	}
}

func TestNothingIsChangedThatCannotBeRecorded(t *testing.T) {
	h := open(t)
	for _, c := range []health.Condition{
		{Code: health.RecordingStopped, Subject: "journal", Severity: health.Error, Sentence: "The disk is full."},
		{Code: health.RecordingStuck, Subject: "journal", Severity: health.Error, Sentence: "The disk is full."},
		{Code: health.ReadingsNotRecorded, Subject: "b-12", Severity: health.Error, Sentence: "The disk is full."},
	} {
		h.board.Raise(c)
		for _, method := range []string{"PUT", "PATCH", "DELETE"} {
			body := aSample
			if method == "DELETE" {
				body = ""
			}
			resp, answer := send(t, h, method, "/api/v1/balances/b-12/context", body, nil)
			if resp.StatusCode != 503 || resp.Header.Get("Retry-After") != "5" || !strings.Contains(answer, "The disk is full.") || h.bench.count() != 0 {
				t.Errorf("%s while %s: %d %s", method, c.Code, resp.StatusCode, answer)
			}
			checkProblem(t, resp, answer)
		}
		if resp, _ := ask(t, "GET", h.base+"/api/v1/balances/b-12/context", nil); resp.StatusCode != 200 {
			t.Errorf("looking at it while %s: %d", c.Code, resp.StatusCode)
		}
		h.board.Clear(c.Code, c.Subject)
	}
	h.board.Raise(health.Condition{Code: health.ReadingsNotRecorded, Subject: "b-13", Severity: health.Error})
	if resp, body := send(t, h, "PUT", "/api/v1/balances/b-12/context", aSample, nil); resp.StatusCode != 200 {
		t.Errorf("another balance's trouble: %d %s", resp.StatusCode, body)
	}
}

func TestWrongTokensAreLimitedAndTheRightOneIsNot(t *testing.T) {
	h := open(t)
	wrong := func(r *http.Request) { r.Header.Set("Authorization", "Bearer wrong") }
	for i := range 3 * attemptsLimit {
		resp, body := send(t, h, "DELETE", "/api/v1/balances/b-12/context", "", wrong)
		want := 401
		if i >= attemptsLimit {
			want = 429
		}
		if resp.StatusCode != want || want == 429 && resp.Header.Get("Retry-After") == "" {
			t.Fatalf("wrong token number %d: %d %s, want %d", i+1, resp.StatusCode, body, want)
		}
		checkProblem(t, resp, body)
	}
	if got := strings.Count(h.logged.String(), "token"); got != 2 {
		t.Errorf("%d lines in the log for %d wrong tokens:\n%s", got, 3*attemptsLimit, h.logged.String())
	}
	if strings.Contains(h.logged.String(), "Bearer") {
		t.Error("the log holds what was sent as token")
	}
	if resp, body := send(t, h, "DELETE", "/api/v1/balances/b-12/context", "", nil); resp.StatusCode != 200 {
		t.Errorf("the right token after the wrong ones: %d %s", resp.StatusCode, body)
	}
}

func TestManyAddressesDoNotFillTheMemory(t *testing.T) {
	now := time.Date(2026, 11, 25, 10, 0, 0, 0, time.UTC)
	a := attempts{now: func() time.Time { return now }}
	for i := range 3 * attemptsRoom {
		a.wrong(fmt.Sprint("2001:db8::", i), discard)
	}
	if len(a.by) > attemptsRoom+1 {
		t.Errorf("%d addresses are kept", len(a.by))
	}
	if wait := a.wrong("another", discard); wait <= 0 {
		t.Error("what is too much to tell apart is not limited")
	}
	now = now.Add(attemptsPeriod)
	if wait := a.wrong("another", discard); wait != 0 || len(a.by) != 1 {
		t.Errorf("after the period: wait %s, %d addresses", wait, len(a.by))
	}
}
