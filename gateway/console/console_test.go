package console

import (
	"bufio"
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"go.uber.org/goleak"

	"weighpost/gateway/conform"
	"weighpost/gateway/health"
	"weighpost/gateway/live"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// TestMain lets more tests run beside each other than there are processors: those that do so wait for seconds, and do nothing.
func TestMain(m *testing.M) {
	flag.Parse()
	if err := flag.Set("test.parallel", "8"); err != nil {
		panic(err)
	}
	goleak.VerifyTestMain(conform.Main{M: m, Least: 1000})
}

// lab is a source with two balances and a sink that never change.
type lab struct{}

func (lab) Balances() []Balance {
	answered := record.UTC(time.Unix(1795773845, 500_000_000))
	return []Balance{
		{ID: "b-12", Identity: "confirmed", Rule: "settled", Port: "/dev/ttyUSB0", PortUp: true, Frames: 30, Recorded: 7, Unread: 2, Damaged: 3, Unprotected: true,
			LastUnread: &UnreadFrame{Why: "half a line", Frame: []byte("<b>\x02 9.3450 g\r\n\xff")}, Waiting: 1, Context: []record.ContextHeld{}},
		{Asking: &Asking{Send: `"\x05"`, Confirm: 1, Questions: 9, Answers: 6, Missed: 2, Late: 1, LastAnswer: &answered, Why: "nothing <b>came</b> within 1s"},
			ID: "b-13", Identity: "unconfirmed", Rule: "printed", Port: "tcp://192.0.2.7:4001", Unkept: 4, Context: []record.ContextHeld{}},
	}
}
func (lab) Sinks() []Sink {
	return []Sink{{ID: "share", Kind: "files", State: "stopped", Why: "<b>no</b>", Delivered: 5, Parked: 1, Lag: 3}}
}
func (lab) TimeFacts() Clock {
	bound, offset, distance := record.Span(21*time.Millisecond), -3.000012, 0.0025
	return Clock{State: "checked", Why: "Two of three time servers agree.", Bound: &bound, Servers: []TimeServer{
		{Address: "time-1.example:123", Verdict: "agreeing", Offset: &distance, Distance: &distance},
		{Address: "time-2.example:123", Verdict: "falseticker", Why: "<b>3 s</b> off", Offset: &offset, Distance: &distance},
		{Address: "time-3.example:123", Verdict: "silent"}, {Address: "time-3.example:123", Verdict: "silent"},
	}}
}
func (lab) Journal() Journal { return Journal{Incarnation: "7qx3", Head: 90211} }

// onePage is a page of another room: what it shows is nothing to the console.
var onePage = []Screen{{Pattern: "/{$}", Right: rights.See, Page: true, Handler: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
	io.WriteString(w, "<!doctype html><title>a page</title>")
})}}

// house is a running console.
type house struct {
	*Server
	base, port string
	hub        *live.Hub
	board      *health.Board
	bench      *bench
	press      *press
	reel       *reel
	access     *reception
	closet     *closet
	hall       *hall
	shelf      *shelf
	fit        *treadle
	asked      *askedFor
	shelves    *runShelves
	doc        func() *huma.OpenAPI
	logged     *logText
	stop       func() error // ends the console and waits for it
}

// patience is how long a state is waited for, on a machine that does much else.
const patience = 60 * time.Second

func open(t *testing.T) *house {
	t.Helper()
	return openWith(t, func(h http.Handler) http.Handler { return h })
}

// openWith opens a console behind something of the test's.
func openWith(t *testing.T, wrap func(http.Handler) http.Handler) *house {
	t.Helper()
	h := &house{hub: &live.Hub{}, board: health.New(time.Now), bench: newBench(), press: newPress(), reel: newReel(), access: newReception(), closet: &closet{}, hall: &hall{}, shelf: newShelf(), fit: newTreadle(), asked: &askedFor{}, shelves: &runShelves{}, logged: &logText{}}
	s := New(Deps{Site: "north-lab", Version: "test", Source: lab{}, Conditions: h.board, Contexts: h.bench, Scans: h.bench, Samples: h.bench, Reader: h.bench, Ports: h.bench, Commander: h.bench, Corrector: h.bench, Keys: h.bench, Sealer: h.bench, Exports: h.press, Bundles: h.press, Statistics: h.press, Entries: h.bench, Follow: h.reel, Backups: h.bench, Deliveries: h.shelf, Fitness: h.fit, Kept: h.fit, Requests: h.asked, Procedures: h.shelves, Runs: h.shelves, Environment: h.shelves, Reviews: runDesk{h.shelves}, Settings: h.closet, Setup: h.hall, SettingsSections: []string{"clock", "sinks"}, Token: NewToken(testToken), Access: h.access,
		Evidence: h.bench, Benches: h.bench, Containers: rack{h.fit}, Slips: rack{h.fit}, Reports: stationery{h.fit}, Screens: onePage, Live: h.hub, Log: slog.New(slog.NewTextHandler(h.logged, nil))})
	h.Server = s
	s.handler = wrap(s.handler)
	h.doc = sync.OnceValue(func() *huma.OpenAPI { return s.newAPI(http.NewServeMux()).OpenAPI() })
	l, err := Listen(t.Context(), Config{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	_, h.port, _ = net.SplitHostPort(l.Addr().String())
	h.base = "http://" + l.Addr().String()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	h.stop = func() error { cancel(); err := <-done; done <- nil; return err }
	t.Cleanup(func() {
		if err := h.stop(); err != nil {
			t.Error(err)
		}
		http.DefaultClient.CloseIdleConnections()
	})
	return h
}

var discard = slog.New(slog.DiscardHandler)

// logText is what was logged.
type logText struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *logText) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logText) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

func ask(t *testing.T, method, url string, change func(*http.Request)) (*http.Response, string) {
	t.Helper()
	return askWith(t, method, url, "", change)
}

func askWith(t *testing.T, method, url, body string, change func(*http.Request)) (*http.Response, string) {
	t.Helper()
	var content io.Reader
	if body != "" {
		content = strings.NewReader(body)
	}
	req, err := http.NewRequestWithContext(t.Context(), method, url, content)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(req)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp, string(b)
}

func TestOnlyThisComputersOwnPagesAreAnswered(t *testing.T) {
	h := open(t)
	other := "1" + h.port
	for _, c := range []struct {
		host, header, value string
		want                int
	}{
		{host: "127.0.0.1:" + h.port, want: 200},
		{host: "localhost:" + h.port, want: 200},
		{host: "LOCALHOST:" + h.port, want: 200},
		{host: "127.8.8.8:" + h.port, want: 200},
		{host: "[::1]:" + h.port, want: 200},
		{host: "127.0.0.1:" + other, want: 403},
		{host: "127.0.0.1", want: 403},
		{host: "localhost", want: 403},
		{host: "rebound.example:" + h.port, want: 403},
		{host: "localhost.rebound.example:" + h.port, want: 403},
		{host: "192.0.2.7:" + h.port, want: 403},
		{host: "localhost:" + h.port, header: "Origin", value: "http://localhost:" + h.port, want: 200},
		{host: "localhost:" + h.port, header: "Origin", value: "http://127.0.0.1:" + h.port, want: 403},
		{host: "localhost:" + h.port, header: "Origin", value: "http://localhost:" + other, want: 403},
		{host: "localhost:" + h.port, header: "Origin", value: "https://localhost:" + h.port, want: 403},
		{host: "localhost:" + h.port, header: "Origin", value: "http://rebound.example", want: 403},
		{host: "localhost:" + h.port, header: "Origin", value: "null", want: 403},
		{host: "localhost:" + h.port, header: "Origin", value: "", want: 403},
		{host: "localhost:" + h.port, header: "Sec-Fetch-Site", value: "cross-site", want: 403},
		{host: "localhost:" + h.port, header: "Sec-Fetch-Site", value: "same-origin", want: 200},
	} {
		for _, path := range []string{"/", "/healthz", "/metrics", "/nothing"} {
			resp, body := ask(t, "GET", h.base+path, func(r *http.Request) {
				r.Host = c.host
				if c.header != "" {
					r.Header.Set(c.header, c.value)
				}
			})
			want := c.want
			if path == "/nothing" && want == 200 {
				want = 404
			}
			if resp.StatusCode != want {
				t.Errorf("%s, Host %s, %s %q: %d, want %d", path, c.host, c.header, c.value, resp.StatusCode, want)
			}
			if want == 403 || want == 404 {
				checkProblem(t, resp, body)
			}
		}
	}
}

// checkProblem holds a refusal to RFC 9457: the media type of section 3, the members of section 3.1, status as in HTTP.
func checkProblem(t *testing.T, resp *http.Response, body string) {
	t.Helper()
	var p struct {
		Type, Title, Detail string
		Status              int
	}
	if err := json.Unmarshal([]byte(body), &p); err != nil || resp.Header.Get("Content-Type") != "application/problem+json" ||
		p.Status != resp.StatusCode || p.Title == "" || p.Type != "about:blank" {
		t.Errorf("no problem document: %s %q (%v)", resp.Header.Get("Content-Type"), body, err)
	}
}

func TestNothingCanBeChanged(t *testing.T) {
	h := open(t)
	for _, path := range []string{"/", "/live", "/readyz"} {
		for _, method := range []string{"POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"} {
			resp, body := ask(t, method, h.base+path, nil)
			if resp.StatusCode != http.StatusMethodNotAllowed || resp.Header.Get("Allow") != "GET, HEAD" {
				t.Errorf("%s %s: %d", method, path, resp.StatusCode)
			}
			checkProblem(t, resp, body)
		}
	}
}

// TestEveryAnswerHasItsPolicy: also one that a page of another room gives. What the pages themselves hold, their room's tests say.
func TestEveryAnswerHasItsPolicy(t *testing.T) {
	h := open(t)
	for _, path := range []string{"/", "/healthz", "/nothing", apiPrefix + "balances"} {
		resp, _ := ask(t, "GET", h.base+path, nil)
		if csp := resp.Header.Get("Content-Security-Policy"); !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
	}
}

func TestReadyFollowsRecording(t *testing.T) {
	h := open(t)
	ready := func(want int) {
		t.Helper()
		resp, body := ask(t, "GET", h.base+"/readyz", nil)
		var answer struct {
			Ready      bool
			Conditions []health.Condition
		}
		if err := json.Unmarshal([]byte(body), &answer); err != nil || resp.StatusCode != want || answer.Ready != (want == 200) ||
			len(answer.Conditions) != len(h.board.List()) {
			t.Errorf("%d %s (%v), want %d", resp.StatusCode, body, err, want)
		}
	}
	ready(200)
	h.board.Raise(health.Condition{Code: "port-missing", Subject: "b-13", Severity: health.Error})
	ready(200)
	h.board.Raise(health.Condition{Code: "recording-stopped", Severity: health.Warning})
	ready(200)
	h.board.Raise(health.Condition{Code: "recording-stopped", Severity: health.Error})
	ready(503)
	h.board.Clear("recording-stopped", "")
	h.board.Raise(health.Condition{Code: "readings-not-recorded", Subject: "b-12", Severity: health.Error})
	ready(503)
	h.board.Clear("readings-not-recorded", "b-12")
	ready(200)
	if resp, body := ask(t, "GET", h.base+"/healthz", nil); resp.StatusCode != 200 || !strings.Contains(body, `"alive":true`) {
		t.Errorf("healthz: %d %s", resp.StatusCode, body)
	}
}

func TestMetrics(t *testing.T) {
	h := open(t)
	h.board.Raise(health.Condition{Code: "readings-not-recorded", Subject: "b-12", Severity: health.Error})
	_, body := ask(t, "GET", h.base+"/metrics", nil)
	for _, line := range []string{
		`weighpost_recorded_total{balance="b-12"} 7`, `weighpost_frames_total{balance="b-12"} 30`,
		`weighpost_unread_total{balance="b-12"} 2`, `weighpost_waiting_entries{balance="b-12"} 1`,
		`weighpost_unkept_total{balance="b-13"} 4`, `weighpost_port_up{balance="b-12"} 1`, `weighpost_port_up{balance="b-13"} 0`,
		`weighpost_sink_delivered_total{sink="share"} 5`, `weighpost_sink_parked_entries{sink="share"} 1`,
		`weighpost_sink_lag_entries{sink="share"} 3`, `weighpost_sink_working{sink="share"} 0`,
		`weighpost_conditions{severity="error"} 1`, `weighpost_conditions{severity="notice"} 0`,
		`weighpost_condition{code="readings-not-recorded",severity="error",subject="b-12"} 1`,
		`weighpost_clock_state{state="checked"} 1`, `weighpost_clock_state{state="holdover"} 0`, `weighpost_clock_bound_seconds 0.021`,
		`weighpost_clock_offset_seconds{server="time-2.example:123"} -3.000012`, `weighpost_clock_server{server="time-3.example:123",verdict="silent"} 1`,
		`weighpost_clock_root_distance_seconds{server="time-1.example:123"} 0.0025`,
		`weighpost_questions_total{balance="b-13"} 9`, `weighpost_answers_total{balance="b-13"} 6`, `weighpost_missed_answers_total{balance="b-13"} 2`,
		`weighpost_last_answer_timestamp_seconds{balance="b-13"} 1.7957738455e+09`,
		`weighpost_journal_head 90211`, `weighpost_ready 0`,
	} {
		if !strings.Contains(body, "\n"+line+"\n") {
			t.Errorf("missing: %s", line)
		}
	}
	if !strings.Contains(body, "go_goroutines") {
		t.Error("the process says nothing of itself")
	}
}

// follow opens the stream and gives its events, name and data, until the stream ends.
func follow(t *testing.T, h *house) <-chan [2]string {
	t.Helper()
	return followAt(t, h, "/live")
}

func followAt(t *testing.T, h *house, path string) <-chan [2]string {
	t.Helper()
	req, _ := http.NewRequestWithContext(t.Context(), "GET", h.base+path, nil)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != 200 || resp.Header.Get("Content-Type") != "text/event-stream" || resp.Header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%d %v", resp.StatusCode, resp.Header)
	}
	events := make(chan [2]string, 64)
	go func() {
		defer close(events)
		defer resp.Body.Close()
		lines := bufio.NewScanner(resp.Body)
		lines.Buffer(nil, 4<<20)
		name := ""
		for lines.Scan() {
			if n, ok := strings.CutPrefix(lines.Text(), "event: "); ok {
				name = n
			}
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				select {
				case events <- [2]string{name, data}:
				case <-req.Context().Done(): // the test is over, and reads no more
					return
				}
			}
		}
	}()
	return events
}

func TestTheStreamGivesTheLatestAndWhatWasRecorded(t *testing.T) {
	h := open(t)
	events := follow(t, h)
	first := <-events
	var s struct {
		state
		Balances []Balance `json:"balances"`
	}
	if err := json.Unmarshal([]byte(first[1]), &s); first[0] != "state" || err != nil || len(s.Balances) != 2 || s.Site != "north-lab" || len(s.Sinks) != 1 {
		t.Fatalf("%v, %v", first, err)
	}
	for i := range 500 {
		h.hub.Publish(record.Live{Balance: "b-12", Value: &record.Value{Digits: fmt.Sprint(i), Range: "in"}})
	}
	h.hub.Publish(record.Live{Balance: "b-12", Value: &record.Value{Digits: "499"}, Recorded: "an-id"})
	var last, recorded string
	seen := 0
	for last != "499" || recorded == "" {
		var e [2]string
		select {
		case e = <-events:
		case <-time.After(patience):
			t.Fatalf("the last reading never came; there are %q and %q", last, recorded)
		}
		if e[0] != "readings" {
			continue
		}
		var list []record.Live
		if err := json.Unmarshal([]byte(e[1]), &list); err != nil {
			t.Fatal(err)
		}
		for _, r := range list {
			seen++
			if r.Recorded != "" {
				recorded = r.Recorded
			} else {
				last = r.Value.Digits
			}
		}
	}
	if recorded != "an-id" || seen > 20 {
		t.Errorf("recorded %q, %d readings sent for 500", recorded, seen)
	}
}

func TestTheStopEndsOpenStreams(t *testing.T) {
	h := open(t)
	a, b := follow(t, h), follow(t, h)
	<-a
	<-b
	began := time.Now()
	if err := h.stop(); err != nil {
		t.Error(err)
	}
	if took := time.Since(began); took > stopTime {
		t.Errorf("the stop took %s", took)
	}
	for range a {
	}
	for range b {
	}
	if l, err := net.Listen("tcp", "127.0.0.1:"+h.port); err != nil {
		t.Errorf("the port is still taken: %v", err)
	} else {
		l.Close()
	}
}

func TestTooManyStreamsAreRefused(t *testing.T) {
	h := open(t)
	for range streamLimit {
		<-follow(t, h)
	}
	resp, body := ask(t, "GET", h.base+"/live", nil)
	if resp.StatusCode != 503 || resp.Header.Get("Retry-After") == "" {
		t.Errorf("%d", resp.StatusCode)
	}
	checkProblem(t, resp, body)
	if resp, _ := ask(t, "GET", h.base+"/healthz", nil); resp.StatusCode != 200 {
		t.Errorf("healthz beside full streams: %d", resp.StatusCode)
	}
}
