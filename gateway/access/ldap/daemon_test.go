package ldap_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/access/ldap/slapd"
	"weighpost/gateway/config"
	"weighpost/gateway/health"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// daemon is a whole weighpost that asks a real directory, with a balance that is not plugged in.
type daemon struct {
	*gateway.Gateway
	t      *testing.T
	folder string
	log    logged

	timeout string // of the directory
}

type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) { l.mu.Lock(); defer l.mu.Unlock(); return l.b.Write(p) }
func (l *logged) String() string              { l.mu.Lock(); defer l.mu.Unlock(); return l.b.String() }

func startDaemon(t *testing.T, dir *slapd.Directory, timeout string) *daemon {
	t.Helper()
	d := &daemon{t: t, folder: t.TempDir(), timeout: timeout}
	if err := os.WriteFile(filepath.Join(d.folder, "password"), []byte(slapd.ServiceSecret), 0o600); err != nil {
		t.Fatal(err)
	}
	d.Gateway = gateway.New(d.config(dir, ""), gateway.Options{Log: slog.New(slog.NewTextHandler(&d.log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		limit, cancel := context.WithTimeout(context.Background(), 15*time.Second)
		defer cancel()
		if err := d.Stop(limit); err != nil {
			t.Error(err)
		}
		http.DefaultClient.CloseIdleConnections()
	})
	return d
}

func (d *daemon) config(dir *slapd.Directory, more string) *config.Config {
	d.t.Helper()
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		d.t.Fatal(err)
	}
	text := fmt.Sprintf(`site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: "127.0.0.1:0"}
balances:
- {id: b-1, port: {address: %q}, layout: %q}
people:
  visitors: nothing
  directory:
    url: %s
    bind_dn: %s
    password: file:%s
    users:
      base: %s
      barred: [{attribute: employeeType, is: [left]}]
    groups:
      base: %s
      roles:
      - {group: "cn=weighing,%s", roles: [operator]}
      - {group: "cn=keepers,%s", roles: [it]}
    timeout: %s
%s`, filepath.Join(d.folder, "no-port"), layout, dir.URL(), slapd.Service, filepath.Join(d.folder, "password"), slapd.People, slapd.Groups, slapd.Groups, slapd.Groups, d.timeout, more)
	cfg, faults := config.Load(filepath.Join(d.folder, "weighpost.yaml"), []byte(text))
	if len(faults) > 0 {
		d.t.Fatal(faults)
	}
	return cfg
}

// browser is somebody at the page.
type browser struct {
	d *daemon
	c http.Client
}

func (d *daemon) browser() *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		d.t.Fatal(err)
	}
	b := &browser{d: d, c: http.Client{Jar: jar, Transport: &http.Transport{}, Timeout: 30 * time.Second}}
	d.t.Cleanup(b.c.CloseIdleConnections)
	return b
}

// ask sends a request as the page does, and gives what came.
func (b *browser) ask(method, path string, body any) (int, string) {
	b.d.t.Helper()
	base := strings.TrimSuffix(b.d.PageURL(), "/")
	var send io.Reader
	if body != nil {
		raw, err := json.Marshal(body)
		if err != nil {
			b.d.t.Fatal(err)
		}
		send = bytes.NewReader(raw)
	}
	r, err := http.NewRequest(method, base+path, send)
	if err != nil {
		b.d.t.Fatal(err)
	}
	r.Header.Set("Origin", base)
	r.Header.Set("X-Weighpost-Page", "1")
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	answer, err := b.c.Do(r)
	if err != nil {
		b.d.t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		b.d.t.Fatal(err)
	}
	return answer.StatusCode, string(text)
}

// signIn signs in and holds the status and what the answer says.
func (b *browser) signIn(login, secret string, status int, says ...string) {
	b.d.t.Helper()
	got, text := b.ask(http.MethodPost, "/api/v1/session", map[string]string{"login": login, "secret": secret})
	if got != status {
		b.d.t.Errorf("%s: status %d, want %d: %s", login, got, status, text)
	}
	for _, s := range says {
		if !strings.Contains(text, s) {
			b.d.t.Errorf("%s: the answer does not say %q: %s", login, s, text)
		}
	}
}

// may holds what a request is answered with.
func (b *browser) may(status int, method, path string, body any) {
	b.d.t.Helper()
	if got, text := b.ask(method, path, body); got != status {
		b.d.t.Errorf("%s %s: status %d, want %d: %s", method, path, got, status, text)
	}
}

// local adds a person whose account is here, and gives their first secret.
func (d *daemon) local(id string) string {
	d.t.Helper()
	host := rights.Host(record.Actor{ID: "root", By: record.ActorHost})
	if _, err := d.People().AddPerson(d.t.Context(), host, rights.NewPerson{ID: id, Name: "Dee Example", Roles: []string{rights.Operator}, Reason: "a test"}); err != nil {
		d.t.Fatal(err)
	}
	first, err := d.People().ResetSecret(d.t.Context(), host, id, "a test")
	if err != nil {
		d.t.Fatal(err)
	}
	return first
}

// holds says whether a condition holds now, listed or told under another.
func (d *daemon) holds(code string) bool {
	return slices.ContainsFunc(d.Conditions(), func(c health.Condition) bool { return c.Any(func(c *health.Condition) bool { return c.Code == code }) })
}

func (d *daemon) until(what string, f func() bool) {
	d.t.Helper()
	for end := time.Now().Add(30 * time.Second); !f(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			d.t.Fatalf("in 30 seconds not: %s", what)
		}
	}
}

// entries gives all entries as ben, who may read them.
func (d *daemon) entries(b *browser) string {
	d.t.Helper()
	status, text := b.ask(http.MethodGet, "/api/v1/entries?limit=500", nil)
	if status != http.StatusOK {
		d.t.Fatalf("entries: %d %s", status, text)
	}
	return text
}

const anywhere = "/api/v1/balances/b-1/context"

// TestADayWithADirectory is the way of people of a directory through the whole daemon, at the API: in, roles of groups within
// groups, the directory killed without and with leave to go on, back, disabled there and out here. No secret is left anywhere.
func TestADayWithADirectory(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	d := startDaemon(t, dir, "3s")
	ada, ben := d.browser(), d.browser()
	lot := map[string]any{"sample": map[string]string{"id": "LOT-1003"}}

	ada.may(http.StatusUnauthorized, http.MethodPut, anywhere, lot)
	ada.signIn("ada", "wrong", http.StatusUnauthorized)
	ada.signIn("ada", slapd.Secret, http.StatusOK, `"by":"directory"`, `"role":"operator"`, `"name":"Ada Example"`)
	ada.may(http.StatusOK, http.MethodPut, anywhere, lot)
	ada.may(http.StatusForbidden, http.MethodGet, "/api/v1/rights", nil)
	ben.signIn("ben", slapd.Secret, http.StatusOK, `"role":"it"`)
	ben.may(http.StatusOK, http.MethodGet, "/api/v1/rights", nil)
	ben.may(http.StatusForbidden, http.MethodPut, anywhere, lot)
	d.browser().signIn("cy", slapd.Secret, http.StatusConflict, "None of the groups of cy gives a role")

	dir.Kill(t)
	d.browser().signIn("ada", slapd.Secret, http.StatusConflict, "The directory does not answer")
	d.until("the condition is raised", func() bool { return d.holds(health.DirectoryUnavailable) })
	ada.may(http.StatusOK, http.MethodPut, anywhere, lot) // who is in stays in
	d.People().Recheck(t.Context())
	ada.may(http.StatusOK, http.MethodPut, anywhere, lot)
	d.browser().signIn("dee", d.local("dee"), http.StatusOK, `"by":"password"`)

	dir.Start(t)
	if err := d.Reload(t.Context(), d.config(dir, "    offline: {allow: true, for: 1h}\n")); err != nil {
		t.Fatal(err)
	}
	d.browser().signIn("ada", slapd.Secret, http.StatusOK, `"by":"directory"`)
	d.until("the condition is cleared", func() bool { return !d.holds(health.DirectoryUnavailable) })
	dir.Kill(t)
	cached := d.browser()
	cached.signIn("ada", "wrong", http.StatusUnauthorized)
	cached.signIn("ada", slapd.Secret, http.StatusOK, `"by":"cached"`, `"role":"operator"`)
	cached.may(http.StatusOK, http.MethodPut, anywhere, lot)
	d.browser().signIn("nobody", slapd.Secret, http.StatusUnauthorized)

	dir.Start(t)
	dir.Modify(t, "dn: uid=ada,"+slapd.People+"\nchangetype: modify\nreplace: employeeType\nemployeeType: left\n")
	d.People().Recheck(t.Context())
	for _, b := range []*browser{ada, cached} {
		b.may(http.StatusUnauthorized, http.MethodPut, anywhere, lot)
	}
	d.browser().signIn("ada", slapd.Secret, http.StatusConflict)
	dir.Kill(t)
	d.browser().signIn("ada", slapd.Secret, http.StatusUnauthorized) // what was kept of her is forgotten

	all := d.entries(ben)
	for _, want := range []string{`"by":"directory"`, `"by":"cached"`, `"cause":"disabled"`} {
		if !strings.Contains(strings.ReplaceAll(all, " ", ""), want) {
			t.Errorf("no entry says %s", want)
		}
	}
	d.noSecrets(all)
}

// TestASlowDirectory: a directory that takes longer to answer than other requests may take is waited for, as the configuration says.
func TestASlowDirectory(t *testing.T) {
	t.Parallel() // it mostly waits
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	d := startDaemon(t, dir, "25s")
	dir.Freeze(t)
	thaw := time.AfterFunc(11500*time.Millisecond, func() { dir.Thaw(t) })
	defer thaw.Stop()
	d.browser().signIn("ada", slapd.Secret, http.StatusOK, `"by":"directory"`)
	if t.Failed() {
		t.Logf("%v %s", d.Conditions(), d.log.String())
	}
}

// noSecrets looks for secrets in what was answered, in the log, and in every file of the journal.
func (d *daemon) noSecrets(answer string) {
	d.t.Helper()
	look := map[string]string{"the entries": answer, "the log": d.log.String()}
	err := filepath.WalkDir(filepath.Join(d.folder, "journal"), func(path string, e os.DirEntry, err error) error {
		if err != nil || !e.Type().IsRegular() {
			return err
		}
		b, err := os.ReadFile(path)
		look[e.Name()] = string(b)
		return err
	})
	if err != nil {
		d.t.Fatal(err)
	}
	if len(look) < 5 || !strings.Contains(look["journal.db"]+look["journal.db-wal"], "LOT-1003") {
		d.t.Errorf("what was looked through holds no entry: %d files", len(look))
	}
	for where, text := range look {
		for _, secret := range []string{slapd.Secret, slapd.ServiceSecret} {
			if strings.Contains(text, secret) {
				d.t.Errorf("%s holds a secret", where)
			}
		}
	}
}

// TestIDsNeverReachAFilter: ids of samples and people in requests for a context, lots, badges and keys may hold what means something
// to a directory. They are nobody's login and are never asked for, whole or in part: the directory's log is as long as before.
func TestIDsNeverReachAFilter(t *testing.T) {
	dir := slapd.Start(t, slapd.Options{})
	dir.Add(t, slapd.Lab)
	d := startDaemon(t, dir, "3s")
	ada := d.browser()
	ada.signIn("ada", slapd.Secret, http.StatusOK)
	d.until("the first look at the directory is over", func() bool { return strings.Count(dir.Log(), " closed") >= strings.Count(dir.Log(), " ACCEPT ") })
	before := dir.Log()
	for _, id := range []string{"*", "*)(uid=*", `a\2a`, "ada)(|(uid=*", "uid=ada,ou=people", "(objectClass=*)", "ada", "a#b;c", `"x"`} {
		for _, item := range []string{"sample", "person", "lot", "method"} {
			status, text := ada.ask(http.MethodPatch, anywhere, map[string]any{item: map[string]string{"id": id}})
			if status != http.StatusOK && status != http.StatusUnprocessableEntity && status != http.StatusForbidden && status != http.StatusConflict {
				t.Errorf("%s %q: %d %s", item, id, status, text)
			}
			if item == "sample" && status == http.StatusOK && !strings.Contains(text, id) && !strings.ContainsAny(id, `\"`) {
				t.Errorf("the sample %q is not kept as it was given: %s", id, text)
			}
		}
		ada.ask(http.MethodPost, "/api/v1/session/badge", map[string]string{"code": id, "balance": "b-1"})
	}
	if log := dir.Log(); log != before {
		t.Errorf("the directory was asked: %s", strings.TrimPrefix(log, before))
	}
	// A login is asked for, and as a value alone: two binds and no person for each.
	for _, login := range []string{"*", "*)(uid=*", "ada)(|(uid=*"} {
		d.browser().signIn(login, slapd.Secret, http.StatusUnauthorized)
	}
	d.until("the directory has logged them", func() bool { return strings.Count(strings.TrimPrefix(dir.Log(), before), "filter=") >= 3 })
	for _, line := range strings.Split(strings.TrimPrefix(dir.Log(), before), "\n") {
		if _, filter, asked := strings.Cut(line, "filter="); asked && (strings.Count(filter, "(") != 1 || strings.Contains(filter, "=*")) {
			t.Errorf("a filter was changed: %s", line)
		}
		if strings.Contains(line, "BIND dn=\"uid=") {
			t.Errorf("somebody was found: %s", line)
		}
	}
}
