//go:build linux

package gateway_test

import (
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway/health"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
)

// obedient is a balance on a cord that answers "\x05" with its weight, and "vessel" with a word, as long as it is told to.
type obedient struct {
	mu    sync.Mutex
	says  string // "": it is silent
	heard string
}

func (o *obedient) set(says string) {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.says = says
}

func (o *obedient) all() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.heard
}

func (o *obedient) serve(cord *pty.Cord) {
	buf := make([]byte, 64)
	for {
		n, err := cord.Read(buf)
		if err != nil {
			return
		}
		o.mu.Lock()
		o.heard += string(buf[:n])
		answer := o.says
		if answer != "" && buf[0] == 'v' {
			answer = "DONE\r\n"
		}
		o.mu.Unlock()
		_, _ = cord.Write([]byte(answer))
	}
}

const asked = `site: seed-bank
journal: {folder: journal, space: ` + anyDisk + `}
page: {listen: "127.0.0.1:0"}
balances:
- id: b-1
  port: {address: DIR/port-1, speed: 115200}
  layout: as.yaml
  ask: {send: "\x05", timeout: 500ms, late: 100ms, missed: 1}
  commands:
    tare: {send: "vessel\r\n", about: Tare, caution: Only with an empty vessel., answer: frame}
  scanner: {rules: [{prefix: LOT-, item: sample}]}
`

// request asks the running daemon's API for something, with its token.
func (h *house) request(t *testing.T, method, path, body string, into any) int {
	t.Helper()
	token, err := os.ReadFile(filepath.Join(h.dir, "journal", "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	given := ""
	if method != "GET" {
		given = strings.TrimSpace(string(token))
	}
	status, b := call(t, h.Gateway, method, path, given, body)
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return status
}

// TestAWeighingIsAskedForOverHTTP: through the whole daemon, a person and a sample set before it on the record, and the id in
// the answer that of the entry.
func TestAWeighingIsAskedForOverHTTP(t *testing.T) {
	h := newHouse(t, "port-1")
	balance := &obedient{says: string(line(12345))}
	go balance.serve(h.cords["port-1"])
	h.start(t, asked)
	defer http.DefaultClient.CloseIdleConnections()

	var view record.ContextView
	if status := h.request(t, "PUT", "b-1/context", `{"person": {"id": "p-07"}, "sample": {"id": "LOT-1003"}}`, &view); status != 200 {
		t.Fatal(status)
	}
	var a record.ReadAnswer
	if status := h.request(t, "POST", "b-1/read", `{"record": true}`, &a); status != 200 || a.Value.Digits != "12.345" || a.Recorded == "" {
		t.Fatalf("%d %+v", status, a)
	}
	if status := h.request(t, "POST", "b-1/read", "", &a); status != 200 || a.Value.Digits != "12.345" {
		t.Errorf("%d %+v", status, a)
	}
	var commands struct{ Commands []record.CommandInfo }
	if status := h.request(t, "GET", "b-1/commands", "", &commands); status != 200 || len(commands.Commands) != 1 || commands.Commands[0].Caution == "" {
		t.Errorf("%d %+v", status, commands)
	}
	var sent record.CommandAnswer
	if status := h.request(t, "POST", "b-1/commands/tare", "", &sent); status != 200 || sent.Text != `"DONE\r\n"` || sent.Caution == "" {
		t.Errorf("%d %+v", status, sent)
	}
	var problem struct{ Title, Detail string }
	if status := h.request(t, "POST", "b-1/commands/explode", "", &problem); status != 404 || problem.Detail != "There are: tare." {
		t.Errorf("%d %+v", status, problem)
	}

	balance.set("")
	if status := h.request(t, "POST", "b-1/read", `{"record": true}`, &problem); status != 504 || problem.Detail != "Balance b-1 has not answered: nothing came within 500ms." {
		t.Errorf("%d %+v", status, problem)
	}
	if list := h.Conditions(); len(list) == 0 || list[0].Code != health.NoAnswer {
		t.Errorf("%+v", list)
	}
	if a := h.Balances()[0].Asking; a == nil || a.Questions != 3 || a.Answers != 2 || a.Missed != 1 || a.LastAnswer == nil || a.Why == "" {
		t.Errorf("%+v", a)
	}
	balance.set(string(line(1)))
	if status := h.request(t, "POST", "b-1/read", "", &a); status != 200 || len(h.Conditions()) != 0 {
		t.Errorf("%d %+v", status, h.Conditions())
	}
	if err := h.cords["port-1"].Pull(); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return !h.Balances()[0].PortUp }, "the port is not lost")
	for _, path := range []string{"b-1/read", "b-1/commands/tare"} {
		if status := h.request(t, "POST", path, "", &problem); status != 409 || !strings.Contains(problem.Detail, "is not open") {
			t.Errorf("%s: %d %+v", path, status, problem)
		}
	}
	h.stop(t)

	list := all[record.Weighing](t, h, record.KindWeighing)
	if len(list) != 1 || list[0].ID == "" || list[0].Trigger != "asked" || list[0].Context.Sample == nil || list[0].Context.Person == nil {
		t.Fatalf("%+v", list)
	}
	acts := all[record.Command](t, h, record.KindCommand)
	if len(acts) != 2 || acts[0].ID != sent.Entry || acts[0].State != record.CommandAsked || acts[0].Where != "http 127.0.0.1" ||
		acts[1].State != record.CommandAnswered || acts[1].Asked != sent.Entry || string(acts[1].Answer) != "DONE\r\n" {
		t.Errorf("%+v", acts)
	}
}

// TestAskingChangesWithoutClosingThePort: a period, another question and no question at all, each by a reload.
func TestAskingChangesWithoutClosingThePort(t *testing.T) {
	h := newHouse(t, "port-1")
	balance := &obedient{says: string(line(12345))}
	go balance.serve(h.cords["port-1"])
	plain := asked[:strings.Index(asked, "  ask:")]
	h.start(t, plain)
	lines := h.Lines()
	time.Sleep(200 * time.Millisecond)
	if got := balance.all(); got != "" {
		t.Errorf("the balance got %q, and nothing is configured", got)
	}
	if err := h.reload(t, plain+"  ask: {send: \"\\x05\", every: 100ms}\n  record: all\n"); err != nil {
		t.Fatal(err)
	}
	until(t, func() bool { return h.Balances()[0].Recorded >= 3 }, "what the balance answers is not recorded")
	if err := h.reload(t, plain+"  ask: {send: \"?\"}\n"); err != nil {
		t.Fatal(err)
	}
	var a record.ReadAnswer
	if status := h.request(t, "POST", "b-1/read", "", &a); status != 200 || !strings.HasSuffix(balance.all(), "?") {
		t.Errorf("%d %q", status, balance.all())
	}
	if err := h.reload(t, plain); err != nil {
		t.Fatal(err)
	}
	before := balance.all()
	time.Sleep(300 * time.Millisecond)
	if balance.all() != before || h.Lines()["b-1"] != lines["b-1"] || h.Balances()[0].Asking != nil {
		t.Errorf("asked %q after %q, or the port was closed", balance.all(), before)
	}
	http.DefaultClient.CloseIdleConnections()
	h.stop(t)
	for _, w := range all[record.Weighing](t, h, record.KindWeighing) {
		if w.Trigger != "all" {
			t.Errorf("%s has the trigger %s", w.ID, w.Trigger)
		}
	}
}
