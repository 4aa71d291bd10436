package seen

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/configs"
	"weighpost/gateway"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/needs"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// patience is how long a state is waited for, on a machine that does much else.
const patience = 30 * time.Second

// setUp is a seed bank's: b-12 and b-13 are well, b-14 sends lines that no layout reads, b-15 has nobody at the other end of its
// cable, and b-16 is out of service since its last check. Of the sinks the share is well, the lab system refuses each weighing, the broker is not there, what wants only released
// weighings is paused, and an auditor's URL fails.
const setUp = `
site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}, verify: {every: 24h}}
page: {listen: "127.0.0.1:0"}
people: {badge: {sign_in: true}, review: {every: 2160h}, roles: {helper: [see, own-account, weigh]}}
samples: {unknown: accept}
backup: {folder: "%s"}
settings: {adopt: two, over: [samples]}
balances:
- {id: b-12, serial: "0047-112", place: "Germination room, bench 3", capacity: 220 g, readability: 0.0001 g, layout: line.yaml, port: {address: "tcp://%s", dial_timeout: 1s},
   context: {sample: {uses: 1, for: 8h}}, scanner: {rules: [{prefix: "B:", item: person, badge: true, strip: true}, {prefix: LOT-, item: sample, uses: -1}]},
   ask: {send: "\x05", timeout: 1s}, commands: {tare: {send: "t\r\n", about: Tare, caution: Only with the empty vessel on the pan., answer: none}}}
- {id: b-13, serial: "0047-113", place: "Seed store", capacity: 6200 g, readability: 0.01 g, layout: line.yaml, port: {address: "tcp://%s", dial_timeout: 1s}}
- {id: b-14, place: "Accession room", readability: 0.001 g, layout: line.yaml, port: {address: "tcp://%s", dial_timeout: 1s}}
- {id: b-15, serial: "SB-4410", place: "Drying room", readability: 0.1 g, layout: line.yaml, port: {address: "tcp://%s", dial_timeout: 1s}}
- {id: b-16, serial: "SB-4416", place: "Purity room, stone table", capacity: 220 g, readability: 0.0001 g, layout: line.yaml, port: {address: "tcp://%s", dial_timeout: 1s}}
sinks:
- {id: share, kind: files, folder: "%s", format: csv}
- {id: lab-system, kind: http, url: "%s/weighings", deadline: 1s, timeout: 900ms}
- {id: broker, kind: mqtt, broker: "mqtt://127.0.0.1:1", retry_min: 1s, deadline: 1s}
- {id: released-only, kind: http, url: "%s/released", hold: released, verdicts: not-failed}
` + checksText

const lineLayout = "line: \"W {weight} {unit} {stability}\"\nstability: {\"S\": stable, \"M\": unstable}\n"

const adasSecret = "a long enough secret of seeds"

// lab is a daemon, the cables of its balances, and somebody who may do everything.
type lab struct {
	*gateway.Gateway
	t     *testing.T
	dir   string
	lines map[string]net.Conn
	ada   *http.Cookie
	http  http.Client
}

// cable waits for the daemon at the other end of a balance's line.
func cable(t *testing.T) (address string, comes chan net.Conn) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	comes = make(chan net.Conn, 8)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			comes <- c
		}
	}()
	return l.Addr().String(), comes
}

func newLab(t *testing.T) *lab {
	t.Helper()
	l := &lab{t: t, dir: t.TempDir(), lines: map[string]net.Conn{}, http: http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}}
	refuses := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		http.Error(w, "this lot is not known here", http.StatusUnprocessableEntity)
	}))
	t.Cleanup(refuses.Close)
	ids := []string{"b-12", "b-13", "b-14", "b-16"}
	comes := map[string]chan net.Conn{}
	var addresses []any
	for _, id := range ids {
		address, c := cable(t)
		comes[id] = c
		addresses = append(addresses, address)
	}
	l.file("line.yaml", lineLayout)
	for _, folder := range []string{"share", "backups"} {
		if err := os.Mkdir(filepath.Join(l.dir, folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	path := l.file("weighpost.yaml", fmt.Sprintf(setUp, append(append([]any{filepath.Join(l.dir, "backups")}, addresses[:3]...), needs.FreeAddress(t), addresses[3], filepath.Join(l.dir, "share"), refuses.URL, refuses.URL)...))
	cfg, err := config.LoadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	l.Gateway = gateway.New(cfg, gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
	if err := l.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		if err := l.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	for _, id := range ids {
		l.lines[id] = <-comes[id]
		t.Cleanup(func() { l.lines[id].Close() })
	}
	l.signAdaIn()
	l.live()
	return l
}

func (l *lab) file(name, text string) string {
	l.t.Helper()
	path := filepath.Join(l.dir, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		l.t.Fatal(err)
	}
	return path
}

// ask asks the API, as Ada once she is signed in, and puts the answer into result.
func (l *lab) ask(method, path, body string, result any) *http.Response {
	l.t.Helper()
	r, err := http.NewRequestWithContext(l.t.Context(), method, l.PageURL()+strings.TrimPrefix(path, "/"), bytes.NewReader([]byte(body)))
	if err != nil {
		l.t.Fatal(err)
	}
	r.Header.Set("X-Weighpost-Page", "1")
	r.Header.Set("Origin", strings.TrimSuffix(l.PageURL(), "/"))
	if body != "" {
		r.Header.Set("Content-Type", "application/json")
	}
	if l.ada != nil {
		r.AddCookie(l.ada)
	}
	answer, err := l.http.Do(r)
	if err != nil {
		l.t.Fatal(err)
	}
	defer answer.Body.Close()
	raw, err := io.ReadAll(answer.Body)
	if err != nil || answer.StatusCode >= 300 {
		l.t.Fatalf("%s %s: %d %v %s", method, path, answer.StatusCode, err, raw)
	}
	if result != nil {
		if err := json.Unmarshal(raw, result); err != nil {
			l.t.Fatalf("%s: %v in %s", path, err, raw)
		}
	}
	return answer
}

// signAdaIn makes the first account, gives it every role, and keeps its session; two other people have accounts too.
func (l *lab) signAdaIn() {
	l.t.Helper()
	token, err := os.ReadFile(filepath.Join(l.dir, "journal", "set-up.token"))
	if err != nil {
		l.t.Fatal(err)
	}
	answer := l.ask("POST", "/api/v1/set-up", fmt.Sprintf(`{"token":%q,"id":"ada","name":"Ada Quill","secret":%q}`, strings.TrimSpace(string(token)), adasSecret), nil)
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "the first day"})
	roles := []string{rights.Operator, rights.Reviewer, rights.BalanceKeeper, rights.IT, rights.Auditor}
	must := func(_ rights.PersonView, err error) {
		l.t.Helper()
		if err != nil {
			l.t.Fatal(err)
		}
	}
	must(l.People().ChangePerson(l.t.Context(), host, "ada", rights.PersonChange{Roles: &roles, Reason: "looks after everything until others are there"}))
	must(l.People().AddPerson(l.t.Context(), host, rights.NewPerson{ID: "ben", Name: "Ben Sower", Roles: []string{"operator"}, Reason: "began in May"}))
	until := time.Now().AddDate(0, 3, 0)
	must(l.People().AddPerson(l.t.Context(), host, rights.NewPerson{ID: "cleo", Name: "Cleo Harrow", Roles: []string{"auditor"}, Expires: &until, Reason: "audit of this autumn"}))
	_, err = l.People().AddBadge(l.t.Context(), host, "ben", "0047", "began in May")
	if err != nil {
		l.t.Fatal(err)
	}
	cookies := answer.Cookies()
	if len(cookies) == 0 {
		l.t.Fatal("no session came")
	}
	l.ada = cookies[0]
}

// live is what happened before anybody looks: a list of samples, weighings tied to them and others, lines that nobody can read, a
// program's key, a review, a backup, and a change that waits for a second person.
func (l *lab) live() {
	l.t.Helper()
	var list []string
	for i := range 6 {
		list = append(list, fmt.Sprintf(`{"id":"LOT-%d","lot":"TRIF-2026-0117","method":"thousand seeds","fields":{"drawer":"N-%d"}}`, 1001+i, i+1))
	}
	l.ask("POST", "/api/v1/samples", `{"samples":[`+strings.Join(list, ",")+`]}`, nil)
	time.Sleep(300 * time.Millisecond) // of silence at the balances: their lines are heard from the beginning
	for i, weight := range []string{"12.3450", "12.3461", "8.0032", "112.0310", "0.9987", "45.1200"} {
		l.ask("PUT", "/api/v1/balances/b-12/context", fmt.Sprintf(`{"person":{"id":"ada"},"sample":{"id":"LOT-%d"}}`, 1001+i%5), nil)
		l.prints("b-12", "W "+weight+" g S\r\n", i+1)
	}
	l.prints("b-13", "W 250.02 g S\r\n", 1)
	l.prints("b-13", "W 1003.17 g S\r\n", 2)
	for _, line := range []string{"~~ 8?1.2 kg\r\n", "self test passed\r\n", "W 12,3 g S\r\n"} {
		if _, err := io.WriteString(l.lines["b-14"], line); err != nil {
			l.t.Fatal(err)
		}
	}
	l.ask("POST", "/api/v1/deliveries/released-only/pause", `{"reason":"the lab system is being moved to another room"}`, nil)
	l.ask("POST", "/api/v1/keys", `{"id":"lims","name":"Lab system of the seed store","roles":["machine"],"reason":"fetches weighings"}`, nil)
	l.checks()
	l.writes()
	l.orders()
	l.keeps()
	l.ask("POST", "/api/v1/backups", `{}`, nil)
}

// writes has two versions of a ready procedure wait for whoever adopts one.
func (l *lab) writes() {
	l.t.Helper()
	ready, err := configs.Procedures.ReadFile("procedures/residue-on-ignition.yaml")
	if err != nil {
		l.t.Fatal(err)
	}
	for _, text := range []string{string(ready), strings.Replace(string(ready), "for: 30m", "for: 45m", 1)} {
		body, _ := json.Marshal(map[string]string{"text": text, "reason": "the crucibles cool for longer here"})
		l.ask("POST", "/api/v1/procedures", string(body), nil)
	}
}

// keeps registers containers, one of them withdrawn, and types two slips in: one waits for a second person, one was confirmed.
func (l *lab) keeps() {
	l.t.Helper()
	l.ask("POST", "/api/v1/containers", `{"sort":"crucible","lot":"2026-03","containers":[{"id":"V-17"},{"id":"V-18"},{"id":"V-19","fields":{"shelf":"N-4"}}]}`, nil)
	l.ask("POST", "/api/v1/containers/V-18/withdraw", `{"reason":"cracked"}`, nil)
	var slip console.SlipView
	for i, digits := range []string{"11.8732", "12.0441"} {
		body := fmt.Sprintf(`{"balance":"b-12","digits":%q,"unit":"g","kind":"net","weighed":%q,"sample":"LOT-1002","reason":"weighpost was down"}`, digits, time.Now().Add(time.Duration(i-3)*time.Hour).UTC().Format(time.RFC3339))
		l.ask("POST", "/api/v1/slips", body, &slip)
	}
	if _, err := l.DecideSlip(l.t.Context(), slip.ID, true, "", record.Actor{ID: "ben", Name: "Ben Sower", By: record.ActorPassword}); err != nil {
		l.t.Fatal(err)
	}
}

// orders has a lab system ask for runs of a ready procedure, which is adopted: one waits and is overdue, one for a sample that is on a balance, one was
// cancelled.
func (l *lab) orders() {
	l.t.Helper()
	ready, err := configs.Procedures.ReadFile("procedures/net-by-tare.yaml")
	if err == nil {
		_, err = l.WriteProcedure(l.t.Context(), string(ready), "as the book has it", record.Actor{ID: "ada", By: record.ActorHost})
	}
	if err == nil {
		_, err = l.DecideProcedure(l.t.Context(), "net-by-tare", 1, record.ProcedureAdopted, "read it", record.Actor{ID: "ben", By: record.ActorHost})
	}
	due := record.UTC(time.Now().Add(-time.Hour))
	for i, items := range [][]record.RunItem{{{Sample: "LOT-1001", Container: "V-17", Position: 1, Fields: map[string]string{"tray": "B7"}}, {Sample: "LOT-1002"}, {Sample: "LOT-1003"}, {Sample: "LOT-1004"}, {Sample: "LOT-1005"}},
		{{Sample: "LOT-1001"}}, {{Sample: "LOT-1006"}}} {
		q := record.LabRequest{RequestRef: record.RequestRef{From: "lims", ID: fmt.Sprintf("R-2026-%d", i+1)}, Procedure: "net-by-tare", Items: items, Priority: i + 1, Job: "J-2026-114",
			Parameters: map[string]string{"least": "5 g", "most": "20 g"}, Fields: map[string]string{"ordered by": "field station 4"}}
		if i == 0 {
			q.Due, q.Balance, q.Task = &due, "b-12", "T-3"
		}
		if err == nil {
			_, _, err = l.TakeRequest(l.t.Context(), q, record.Actor{ID: "lims", By: record.ActorAPIKey})
		}
	}
	if err == nil {
		_, err = l.CancelRequest(l.t.Context(), record.RequestRef{From: "lims", ID: "R-2026-3"}, "the lot was withdrawn", record.Actor{ID: "lims", By: record.ActorAPIKey})
	}
	if err != nil {
		l.t.Fatal(err)
	}
}

// prints has a balance print a line, and waits until it is recorded as that many weighings.
func (l *lab) prints(balance, line string, n int) {
	l.t.Helper()
	if _, err := io.WriteString(l.lines[balance], line); err != nil {
		l.t.Fatal(err)
	}
	for limit := time.Now().Add(patience); len(l.weighings(balance)) < n; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(limit) {
			l.t.Fatalf("%s: %q was not recorded", balance, line)
		}
	}
}

// weighings are the ids of what a balance recorded.
func (l *lab) weighings(balance string) (ids []string) {
	l.t.Helper()
	var got struct{ Weighings []struct{ ID string } }
	l.ask("GET", "/api/v1/weighings?balance="+balance, "", &got)
	for _, w := range got.Weighings {
		ids = append(ids, w.ID)
	}
	return ids
}
