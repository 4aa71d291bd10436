package guided

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/port/pty"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a state is waited for, on a machine that does much else.
const patience = 30 * time.Second

// setUp is a seed bank's. Each balance has 100 g and d = 1 mg. The limit is 5 mg, and a warning comes from 60 per cent of it: 3 mg. DIR is
// where the cables end.
const setUp = `site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: "127.0.0.1:0"}
checks:
- {name: daily, measures: accuracy, questions: ["Does the balance stand level?"], loads: [20 g], tolerance: {mass: 5 mg}, warn_at: 60, settle: {frames: 3, within_d: 1, for: 100ms}}
- {name: quick, measures: accuracy, questions: [], loads: [20 g], tolerance: {mass: 5 mg}, warn_at: 60, settle: {frames: 3, within_d: 1, for: 100ms}}
fitness: {schedule: [{check: quick, every: day}], unfit: refuse}
balances:
- {id: b-poll, port: {address: DIR/b-poll, speed: 115200}, layout: line.yaml, readability: 0.001 g, capacity: 100 g, record: settled, ask: {send: "Q", every: 100ms}}
- {id: b-print, place: sorting room, port: {address: DIR/b-print, speed: 115200}, layout: line.yaml, readability: 0.001 g, capacity: 100 g, record: printed}
- {id: b-stream, port: {address: DIR/b-stream, speed: 115200}, layout: line.yaml, readability: 0.001 g, capacity: 100 g, record: settled}
`

// lineLayout gives no flag of stability: what has come to rest is judged from the numbers.
const lineLayout = "frame: {ends: [\"\\r\\n\"]}\nline_length: 12\nline: \"{weight 10} {unit 1}\"\n"

// lab is a daemon with three balances, and the people who use it.
type lab struct {
	*gateway.Gateway
	t       *testing.T
	dir     string
	scales  map[string]*scale
	cookies map[string]*http.Cookie // by person
	client  http.Client
}

func newLab(t *testing.T) *lab {
	t.Helper()
	l := &lab{t: t, dir: t.TempDir(), scales: map[string]*scale{}, cookies: map[string]*http.Cookie{},
		client: http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}}
	for _, id := range []string{"b-poll", "b-print", "b-stream"} {
		l.scales[id] = newScale(t, id, filepath.Join(l.dir, id))
	}
	for name, text := range map[string]string{"line.yaml": lineLayout, "weighpost.yaml": strings.ReplaceAll(setUp, "DIR", l.dir)} {
		if err := os.WriteFile(filepath.Join(l.dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg, err := config.LoadFile(filepath.Join(l.dir, "weighpost.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	l.Gateway = gateway.New(cfg, gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
	if err := l.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(l.stop)
	l.waitFor("the ports", func() bool {
		return !slices.ContainsFunc(l.Balances(), func(b console.Balance) bool { return !b.PortUp })
	})
	l.people()
	l.weights()
	return l
}

// stop ends the daemon in good order and verifies its journal.
func (l *lab) stop() {
	limit, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	if err := l.Stop(limit); err != nil {
		l.t.Error(err)
	}
	report, err := journal.Verify(limit, filepath.Join(l.dir, "journal"), "", nil)
	if err != nil || !report.Verified {
		l.t.Errorf("the journal does not verify: %v %s", err, report.Text())
	}
}

func (l *lab) waitFor(what string, f func() bool) {
	l.t.Helper()
	for end := time.Now().Add(patience); !f(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			l.t.Fatalf("%s did not come in time", what)
		}
	}
}

// people are Ada, who keeps the balances and reviews; Ida, who weighs and checks; and Bert, who only looks.
func (l *lab) people() {
	l.t.Helper()
	token, err := os.ReadFile(filepath.Join(l.dir, "journal", "set-up.token"))
	if err != nil {
		l.t.Fatal(err)
	}
	l.ask("", 200, "POST", "set-up", map[string]any{"token": strings.TrimSpace(string(token)), "id": "ada", "name": "Ada Quill", "secret": "a long enough secret of seeds"}, nil)
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "the first day"})
	roles := []string{rights.BalanceKeeper, rights.Reviewer, rights.IT}
	if _, err := l.People().ChangePerson(l.t.Context(), host, "ada", rights.PersonChange{Roles: &roles, Reason: "keeps the balances"}); err != nil {
		l.t.Fatal(err)
	}
	for id, role := range map[string]string{"ida": rights.Operator, "bert": rights.Auditor} {
		first, then := "first seven sheaves of "+id, "seven sheaves by the gate of "+id
		if _, err := l.People().AddPerson(l.t.Context(), host, rights.NewPerson{ID: id, Name: strings.ToUpper(id[:1]) + id[1:] + " Sower", Roles: []string{role}, Secret: first, Reason: "began in May"}); err != nil {
			l.t.Fatal(err)
		}
		l.ask(id, 200, "POST", "session", map[string]any{"login": id, "secret": first}, nil)
		l.ask(id, 200, "PUT", "session/secret", map[string]any{"old": first, "secret": then}, nil)
	}
}

// weights are one of 20 g that is well, and one whose certificate is overdue.
func (l *lab) weights() {
	l.t.Helper()
	for id, due := range map[string]string{"f1-20": "2099-01-15", "f1-20-old": "2024-01-15"} {
		l.ask("ada", 200, "PUT", "reference-weights/"+id, map[string]any{"nominal": "20 g", "class": "F1", "set": "3", "conventional": "20.00002 g", "uncertainty": "0.00003 g", "k": "2",
			"certificate": map[string]any{"number": "4711", "by": "the institute", "date": "2020-01-15", "due": due}}, nil)
	}
}

// ask asks the API as a page of somebody does, wants a status, and puts the answer into result.
func (l *lab) ask(who string, status int, method, path string, body, result any) string {
	l.t.Helper()
	var content io.Reader = http.NoBody
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			l.t.Fatal(err)
		}
		content = strings.NewReader(string(b))
	}
	r, err := http.NewRequestWithContext(l.t.Context(), method, l.PageURL()+"api/v1/"+path, content)
	if err != nil {
		l.t.Fatal(err)
	}
	r.Header.Set("X-Weighpost-Page", "1")
	r.Header.Set("Origin", strings.TrimSuffix(l.PageURL(), "/"))
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	if c := l.cookies[who]; c != nil {
		r.AddCookie(c)
	}
	answer, err := l.client.Do(r)
	if err != nil {
		l.t.Fatal(err)
	}
	defer answer.Body.Close()
	raw, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode/100 != status/100 || status >= 300 && answer.StatusCode != status {
		l.t.Fatalf("%s %s as %q: %d, want %d; %v %s", method, path, who, answer.StatusCode, status, err, raw)
	}
	for _, c := range answer.Cookies() {
		if c.Value != "" {
			if who == "" {
				who = "ada" // the first account
			}
			l.cookies[who] = c
		}
	}
	if result != nil {
		if err := json.Unmarshal(raw, result); err != nil {
			l.t.Fatalf("%s: %v in %s", path, err, raw)
		}
	}
	return string(raw)
}

// all reads the entries of a kind from the journal.
func all[T any](l *lab, kind record.Kind) (list []T) {
	l.t.Helper()
	err := journal.Scan(context.Background(), filepath.Join(l.dir, "journal"), 0, func(e record.Entry) error {
		if e.Kind != kind {
			return nil
		}
		var one T
		if err := json.Unmarshal(e.JSON, &one); err != nil {
			return err
		}
		list = append(list, one)
		return nil
	})
	if err != nil {
		l.t.Fatal(err)
	}
	return list
}

// scale is a simulated balance: what lies on its pan, in thousandths of a gram, and how it tells.
type scale struct {
	t    *testing.T
	kind string // the id of the balance
	cord *pty.Cord

	mu   sync.Mutex
	pan  int
	ramp []int // what it shows before it comes to rest
}

func newScale(t *testing.T, kind, path string) *scale {
	t.Helper()
	s := &scale{t: t, kind: kind, cord: pty.NewCord(path)}
	s.plug()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan struct{})
	t.Cleanup(func() { cancel(); _ = s.cord.Pull(); <-ended })
	go func() {
		defer close(ended)
		for ctx.Err() == nil {
			s.tell()
			time.Sleep(20 * time.Millisecond)
		}
	}()
	return s
}

// tell has the balance send what it shows, where it is its turn: all the time, or once it is asked.
func (s *scale) tell() {
	switch s.kind {
	case "b-stream":
		_, _ = s.cord.Write(line(s.shows()))
	case "b-poll":
		if n, err := s.cord.Read(make([]byte, 64)); err == nil && n > 0 {
			_, _ = s.cord.Write(line(s.shows()))
		}
	}
}

func line(n int) []byte { return fmt.Appendf(nil, "%6d.%03d g\r\n", n/1000, n%1000) }

// shows is what the display shows now: on the way to what lies there, as long as it moves.
func (s *scale) shows() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.ramp) > 0 {
		n := s.ramp[0]
		s.ramp = s.ramp[1:]
		return n
	}
	return s.pan
}

// puts has a load on the pan, and nothing else. What is shown gets there by and by.
func (s *scale) puts(n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.ramp = []int{(s.pan*3 + n) / 4, (s.pan + n*3) / 4}
	s.pan = n
}

// rests has a load on the pan come to rest, and where the balance has a print key, that pressed.
func (s *scale) rests(n int) {
	s.puts(n)
	if s.kind == "b-print" {
		s.prints(n)
	}
}

// prints has the print key pressed.
func (s *scale) prints(n int) {
	s.t.Helper()
	if _, err := s.cord.Write(line(n)); err != nil {
		s.t.Fatal(err)
	}
}

func (s *scale) plug() {
	s.t.Helper()
	if err := s.cord.Plug(); err != nil {
		s.t.Fatal(err)
	}
}

func (s *scale) pull() {
	s.t.Helper()
	if err := s.cord.Pull(); err != nil {
		s.t.Fatal(err)
	}
}
