package guidedruns

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/configs"
	"weighpost/gateway"
	"weighpost/gateway/access/openid/optest"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// patience is how long a state is waited for, on a machine that does much else.
const patience = 30 * time.Second

// setUp is a seed bank's. b-print has a print key; b-asked shows what it is asked for, and is recorded when a request says so. DIR is where the
// cables end, LIMS
// the lab system, which is told what becomes of its requests, and PAPERS a folder that gets the reports. Some people have their account at a
// provider, ISSUER.
const setUp = `site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: "127.0.0.1:0"}
balances:
- {id: b-print, place: seed room, port: {address: DIR/b-print, speed: 115200}, layout: line.yaml, readability: 0.0001 g, capacity: 220 g, record: printed}
- {id: b-asked, place: solutions, port: {address: DIR/b-asked, speed: 115200}, layout: line.yaml, readability: 0.00001 g, capacity: 220 g, record: printed, ask: {send: "Q", every: 100ms}}
sinks:
- {id: lims, kind: http, url: LIMS, entries: [request-changed], body: entry}
- {id: papers, kind: files, folder: PAPERS, entries: [report-issued], format: report, name: "{report}.pdf"}
people: {openid: {issuer: "ISSUER", client_id: weighpost, groups: [{group: reviewers, roles: [reviewer]}]}}
`

const lineLayout = "frame: {ends: [\"\\r\\n\"]}\nline_length: 13\nline: \"{weight 11} {unit 1}\"\n"

// lab is a daemon with two balances, the people who use it, and a lab system with a key.
type lab struct {
	*gateway.Gateway
	t, was  *testing.T // whose it is just now, and whose it is
	dir     string
	scales  map[string]*scale
	cookies map[string]*http.Cookie // by person
	secrets map[string]string
	key     string   // the lab system's
	seeds   string   // the run of thousandSeeds, once it is complete
	ran     []string // runs that are complete, in their order
	client  http.Client

	provider *optest.Server

	mu   sync.Mutex
	told []record.LabRequestChanged // what was delivered to the lab system
}

func newLab(t *testing.T) *lab {
	t.Helper()
	l := &lab{t: t, was: t, dir: t.TempDir(), scales: map[string]*scale{}, cookies: map[string]*http.Cookie{}, secrets: map[string]string{},
		client: http.Client{Timeout: patience, Transport: &http.Transport{DisableKeepAlives: true}}}
	for _, id := range []string{"b-print", "b-asked"} {
		l.scales[id] = newScale(t, filepath.Join(l.dir, id), id == "b-asked")
	}
	l.startProvider()
	far := httptest.NewServer(http.HandlerFunc(l.hears))
	t.Cleanup(far.Close)
	for name, text := range map[string]string{"line.yaml": lineLayout, "weighpost.yaml": strings.NewReplacer("DIR", l.dir, "LIMS", far.URL, "PAPERS", l.papers(), "ISSUER", l.provider.URL).Replace(setUp)} {
		if err := os.WriteFile(filepath.Join(l.dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(l.papers(), 0o700); err != nil {
		t.Fatal(err)
	}
	l.start()
	t.Cleanup(l.stop)
	l.people()
	return l
}

// hears is the lab system, to which what becomes of its requests is delivered.
func (l *lab) hears(w http.ResponseWriter, r *http.Request) {
	var one record.LabRequestChanged
	raw, err := io.ReadAll(r.Body)
	if err == nil {
		err = json.Unmarshal(raw, &one)
	}
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.told = append(l.told, one)
}

// delivered waits for what the lab system is told at the end of a request.
func (l *lab) delivered(request string) (end record.LabRequestChanged) {
	l.t.Helper()
	l.waitFor("the results of "+request, func() bool {
		l.mu.Lock()
		defer l.mu.Unlock()
		for _, one := range l.told {
			if one.Request.ID == request && one.State == record.RequestComplete {
				end = one
			}
		}
		return end.Run != ""
	})
	return end
}

func (l *lab) start() {
	l.t.Helper()
	cfg, err := config.LoadFile(filepath.Join(l.dir, "weighpost.yaml"))
	if err != nil {
		l.t.Fatal(err)
	}
	l.Gateway = gateway.New(cfg, gateway.Options{Hasher: secret.NewHasher(secret.Work{Passes: 1, MemoryK: 64, Lanes: 1}, 4, 256)})
	if err := l.Start(context.Background()); err != nil {
		l.t.Fatal(err)
	}
	l.provider.Allow(l.PageURL() + "sign-in/openid")
	l.waitFor("the ports", func() bool {
		return !slices.ContainsFunc(l.Balances(), func(b console.Balance) bool { return !b.PortUp })
	})
}

// restart ends the daemon in good order and starts it again. Everybody has to sign in anew at its new address.
func (l *lab) restart() {
	l.t.Helper()
	l.stop()
	l.start()
	for id := range l.cookies {
		delete(l.cookies, id)
		l.ask(id, 200, "POST", "session", map[string]any{"login": id, "secret": l.secrets[id]}, nil)
	}
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

// people are Ada, who keeps the balances and writes the procedures; Rhea, who adopts them and reviews; Ida and Ivo, who weigh; and Bert, who only
// looks. The lab system sends requests.
func (l *lab) people() {
	l.t.Helper()
	token, err := os.ReadFile(filepath.Join(l.dir, "journal", "set-up.token"))
	if err != nil {
		l.t.Fatal(err)
	}
	l.secrets["ada"] = "a long enough secret of seeds"
	l.ask("", 200, "POST", "set-up", map[string]any{"token": strings.TrimSpace(string(token)), "id": "ada", "name": "Ada Quill", "secret": l.secrets["ada"]}, nil)
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost, Where: "the first day"})
	roles := []string{rights.BalanceKeeper, rights.IT}
	if _, err := l.People().ChangePerson(l.t.Context(), host, "ada", rights.PersonChange{Roles: &roles, Reason: "keeps the balances"}); err != nil {
		l.t.Fatal(err)
	}
	for id, role := range map[string]string{"rhea": rights.Reviewer, "ida": rights.Operator, "ivo": rights.Operator, "bert": rights.Auditor} {
		first := "first seven sheaves of " + id
		l.secrets[id] = "seven sheaves by the gate of " + id
		if _, err := l.People().AddPerson(l.t.Context(), host, rights.NewPerson{ID: id, Name: strings.ToUpper(id[:1]) + id[1:] + " Sower", Roles: []string{role}, Secret: first, Reason: "began in May"}); err != nil {
			l.t.Fatal(err)
		}
		l.ask(id, 200, "POST", "session", map[string]any{"login": id, "secret": first}, nil)
		l.ask(id, 200, "PUT", "session/secret", map[string]any{"old": first, "secret": l.secrets[id]}, nil)
	}
	var made rights.MadeKey
	l.ask("ada", 200, "POST", "keys", map[string]any{"id": "lims", "name": "the lab system", "roles": []string{"machine"}, "reason": "sends requests"}, &made)
	l.key = made.Key
}

// adopts has a ready procedure written as the lab's own, with what the lab has otherwise, and adopted by another person.
func (l *lab) adopts(name string, otherwise ...string) {
	l.t.Helper()
	if _, known := l.Procedure(name); known { // another test has
		return
	}
	raw, err := configs.Procedures.ReadFile("procedures/" + name + ".yaml")
	if err != nil {
		l.t.Fatal(err)
	}
	text := string(raw)
	for i := 0; i < len(otherwise); i += 2 {
		if !strings.Contains(text, otherwise[i]) {
			l.t.Fatalf("%s says nowhere %q", name, otherwise[i])
		}
		text = strings.Replace(text, otherwise[i], otherwise[i+1], 1)
	}
	l.ask("ada", 200, "POST", "procedures", map[string]any{"text": text, "reason": "the seed bank needs it"}, nil)
	decide := "procedures/" + name + "/versions/1/decide"
	l.ask("ada", 403, "POST", decide, map[string]any{"change": "adopted", "reason": "my own"}, nil)
	l.ask("rhea", 200, "POST", decide, map[string]any{"change": "adopted", "reason": "read, and held against the method"}, nil)
}

// request has the lab system send a request.
func (l *lab) request(id, procedure string, more map[string]any) {
	l.t.Helper()
	body := map[string]any{"id": id, "procedure": procedure, "job": "J-" + id, "fields": map[string]string{"order": "2026/" + id}}
	for k, v := range more {
		body[k] = v
	}
	var taken struct{ Requests []console.RequestOutcome }
	l.ask("lims", 200, "POST", "requests", body, &taken)
	if len(taken.Requests) != 1 || !taken.Requests[0].OK || taken.Requests[0].Cannot != "" {
		l.t.Fatalf("the request is taken with %+v", taken)
	}
}

// ask asks the API as a page of somebody does, or as the lab system with its key, wants a status, and puts the answer into result.
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
	r, err := http.NewRequestWithContext(context.Background(), method, l.PageURL()+"api/v1/"+path, content)
	if err != nil {
		l.t.Fatal(err)
	}
	if who == "lims" {
		r.Header.Set("Authorization", "Bearer "+l.key)
	} else {
		r.Header.Set("X-Weighpost-Page", "1")
		r.Header.Set("Origin", strings.TrimSuffix(l.PageURL(), "/"))
	}
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
	l.keepCookie(who, answer)
	if result != nil {
		if err := json.Unmarshal(raw, result); err != nil {
			l.t.Fatalf("%s: %v in %s", path, err, raw)
		}
	}
	return string(raw)
}

func (l *lab) keepCookie(who string, answer *http.Response) {
	for _, c := range answer.Cookies() {
		if c.Value != "" {
			if who == "" {
				who = "ada" // the first account
			}
			l.cookies[who] = c
		}
	}
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
			return fmt.Errorf("entry %d: %w", e.Seq, err)
		}
		list = append(list, one)
		return nil
	})
	if err != nil {
		l.t.Fatal(err)
	}
	return list
}
