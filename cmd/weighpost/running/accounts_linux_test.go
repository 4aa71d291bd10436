package running

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"filippo.io/age"
)

const (
	adaSecret  = "Farn, Moor und Halm 41"
	benSecret  = "Vetch sorrel kaolin 9"
	benPIN     = "80531729465108"
	benBadge   = "BADGE-0815"
	badgeRules = "  badge: {sign_in: true, pin: true}\n"
	outsiders  = `  directory: {url: "ldap://127.0.0.1:9", bind_dn: "cn=reader,dc=seed-bank,dc=example", password: "file:DIR/bind", users: {base: "ou=people,dc=seed-bank,dc=example"}, timeout: 500ms}
  openid: {issuer: "http://127.0.0.1:9", client_id: weighpost, client_secret: "file:DIR/client"}
`
)

// house is a computer with accounts, and nothing to weigh.
type house struct {
	computer
	url string
}

func newHouse(t *testing.T, program, recipient, people string) *house {
	t.Helper()
	h := &house{computer: computer{site: &site{program: program}, dir: t.TempDir()}}
	h.config, h.journal = filepath.Join(h.dir, "weighpost.yaml"), filepath.Join(h.dir, "journal")
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer free.Close()
	h.url = "http://" + free.Addr().String() + "/"
	layout, err := filepath.Abs("../../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("balances: [{id: b-1, port: {address: /dev/no-such-port}, layout: "+layout+"}]\nsite: seed-bank\njournal: {folder: journal}\npage: {listen: %q}\nbackup: {folder: %q, recipients: [%s]}\n%s", free.Addr(), h.dir, recipient, people)
	if err := os.WriteFile(h.config, []byte(strings.ReplaceAll(text, "DIR", h.dir)), 0o644); err != nil {
		t.Fatal(err)
	}
	return h
}

// start starts the daemon, and waits until its page answers and the host's token is there: the log speaks before.
func (h *house) start(t *testing.T) {
	t.Helper()
	h.computer.start(t)
	h.wait(t, "the page answers, and the host has its token", func() bool {
		_, err := os.Stat(filepath.Join(h.journal, "api.token"))
		if err != nil {
			return false
		}
		resp, err := http.Get(h.url + "healthz")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK
	})
}

// ask sends a request and gives the status, the answer and the cookie.
func (h *house) ask(t *testing.T, method, path, body string, header ...string) (int, string, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), method, h.url+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
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
	for _, c := range resp.Cookies() {
		if c.Value != "" {
			return resp.StatusCode, string(b), c.Name + "=" + c.Value
		}
	}
	return resp.StatusCode, string(b), ""
}

func (h *house) signIn(t *testing.T, login, secret string) (status int, cookie string) {
	t.Helper()
	status, _, cookie = h.ask(t, "POST", "api/v1/session", fmt.Sprintf(`{"login":%q,"secret":%q}`, login, secret))
	return status, cookie
}

func (h *house) badge(t *testing.T, pin string) int {
	t.Helper()
	status, _, _ := h.ask(t, "POST", "api/v1/session/badge", fmt.Sprintf(`{"code":%q,"pin":%q,"balance":"b-1"}`, benBadge, pin))
	return status
}

// withKey asks for what only a program with a key, and no visitor, is given: who it is.
func (h *house) withKey(t *testing.T, key string) bool {
	t.Helper()
	status, _, _ := h.ask(t, "GET", "api/v1/weighings", "", "Authorization", "Bearer "+key)
	return status == 200
}

// must runs a command that has to succeed; input goes to its standard input.
func must(t *testing.T, args ...string) string {
	t.Helper()
	out, why, status := commanded(args...)
	if status != 0 {
		t.Fatalf("%q: status %d: %s%s", args, status, out, why)
	}
	return out
}

// fill makes two people, a badge with a PIN, and a key, over HTTP with the host's token.
func (h *house) fill(t *testing.T) (key string) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(h.journal, "api.token"))
	if err != nil {
		t.Fatal(err)
	}
	do := func(method, path, body string) string {
		t.Helper()
		status, answer, _ := h.ask(t, method, "api/v1/"+path, body, "Authorization", "Bearer "+strings.TrimSpace(string(b)))
		if status >= 300 {
			t.Fatalf("%s: %d %s", path, status, answer)
		}
		return answer
	}
	do("POST", "people", fmt.Sprintf(`{"id":"ada","name":"Ada","roles":["it"],"secret":%q}`, adaSecret))
	do("POST", "people", fmt.Sprintf(`{"id":"ben","name":"Ben","roles":["operator"],"secret":%q}`, benSecret))
	do("PUT", "people/ben/pin", fmt.Sprintf(`{"pin":%q,"reason":"new"}`, benPIN))
	do("POST", "people/ben/badges", fmt.Sprintf(`{"code":%q,"reason":"new"}`, benBadge))
	var made struct{ Key string }
	if err := json.Unmarshal([]byte(do("POST", "keys", `{"id":"lims","name":"lab system","roles":["machine"],"reason":"new"}`)), &made); err != nil || made.Key == "" {
		t.Fatal(err)
	}
	return made.Key
}

// TestAccountsAreRestoredOnANewComputer: with the identity everybody signs in as before, and no session goes on; without it everybody
// is still who they are, nobody signs in until their secret is set anew on the host, and the restore has said so.
func TestAccountsAreRestoredOnANewComputer(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	bin := program(t, dir)
	identity, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	identityFile, file := filepath.Join(dir, "identity.txt"), filepath.Join(dir, "taken-along.tar")
	if err := os.WriteFile(identityFile, []byte(identity.String()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	people := "people:\n  visitors: nothing\n" + badgeRules + outsiders
	a := newHouse(t, bin, identity.Recipient().String(), people)
	for _, name := range []string{"bind", "client"} {
		if err := os.WriteFile(filepath.Join(a.dir, name), []byte("planted "+name), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	a.start(t)
	key := a.fill(t)
	status, cookie := a.signIn(t, "ada", adaSecret)
	if status != 200 {
		t.Fatal(status)
	}
	for range 3 { // which have somebody wait who tries again at once, there
		a.signIn(t, "ben", "wrong and wrong again")
	}
	must(t, "backup", "create", "--config", a.config, "--out", file)
	a.end(t, syscall.SIGKILL)

	b := newHouse(t, bin, identity.Recipient().String(), people)
	out := must(t, "backup", "restore", file, "--into", b.journal, "--config", b.config, "--identity", identityFile, "--by", "ada")
	if strings.Contains(out, "reset-secret") {
		t.Errorf("it says to set anew what it has:\n%s", out)
	}
	for _, name := range []string{"bind", "client"} { // named in the configuration of the new computer by another place
		if text, err := os.ReadFile(filepath.Join(b.dir, "restored-secrets", "file", map[string]string{"bind": "001", "client": "002"}[name])); err != nil || string(text) != "planted "+name {
			t.Errorf("%s: %q %v", name, text, err)
		}
	}
	b.start(t)
	for who, secret := range map[string]string{"ada": adaSecret, "ben": benSecret} {
		if status, _ := b.signIn(t, who, secret); status != 200 {
			t.Errorf("%s: %d", who, status)
		}
	}
	if status := b.badge(t, benPIN); status != 200 {
		t.Errorf("the badge: %d", status)
	}
	if !b.withKey(t, key) || b.withKey(t, key[:len(key)-1]+"x") {
		t.Error("the key")
	}
	if status, answer, _ := b.ask(t, "GET", "api/v1/weighings", "", "Cookie", cookie); status == 200 {
		t.Errorf("a session of the other computer goes on: %s", answer)
	}
	b.end(t, syscall.SIGTERM)
	withoutIdentity(t, newHouse(t, bin, identity.Recipient().String(), people), file, key)
}

func withoutIdentity(t *testing.T, c *house, file, key string) {
	t.Helper()
	out := must(t, "backup", "restore", file, "--into", c.journal, "--config", c.config)
	for _, want := range []string{"people.directory.password", "people.openid.client_secret", "the hashes of people's and programs' secrets",
		"weighpost people reset-secret ID", "weighpost keys make NEW-ID", "set-up token"} {
		if !strings.Contains(out, want) {
			t.Errorf("it does not say %q:\n%s", want, out)
		}
	}
	must(t, "journal", "replace-key", "--config", c.config, "--reason", "it was only on the lost computer", "--by", "ada", "--confirmed-by", "ben")
	c.start(t)
	if status, _ := c.signIn(t, "ada", adaSecret); status != 401 {
		t.Errorf("ada signs in without a secret: %d", status)
	}
	if status := c.badge(t, benPIN); status == 200 {
		t.Error("the badge is good")
	}
	if c.withKey(t, key) {
		t.Error("the key is good")
	}
	if _, err := os.Stat(filepath.Join(c.journal, "set-up.token")); err == nil {
		t.Error("there are accounts, and a set-up token")
	}
	if out := must(t, "people", "list", "-c", c.config); !strings.Contains(out, "Ada") || !strings.Contains(out, "operator") {
		t.Errorf("%s", out)
	}
	var reset struct {
		Secret string `json:"one_time_secret"`
	}
	out = must(t, "people", "reset-secret", "ada", "-c", c.config, "--reason", "restored without the identity", "--json")
	if err := json.Unmarshal([]byte(out), &reset); err != nil || reset.Secret == "" {
		t.Fatalf("%s %v", out, err)
	}
	status, cookie := c.signIn(t, "ada", reset.Secret)
	if status != 200 {
		t.Fatalf("after a reset: %d", status)
	}
	if status, answer, _ := c.ask(t, "PUT", "api/v1/session/secret", fmt.Sprintf(`{"old":%q,"secret":%q}`, reset.Secret, adaSecret+" new"), "Cookie", cookie,
		"X-Weighpost-Page", "1", "Sec-Fetch-Site", "same-origin"); status != 200 {
		t.Errorf("%d %s", status, answer)
	}
	must(t, "keys", "revoke", "lims", "-c", c.config, "--reason", "its secret is lost")
	if _, _, status := commanded("keys", "make", "lims", "-c", c.config, "--name", "again"); status == 0 {
		t.Error("the id of a key is used again")
	}
	fields := strings.Fields(must(t, "keys", "make", "lims-2", "-c", c.config, "--name", "lab system"))
	if i := slices.IndexFunc(fields, func(s string) bool { return strings.HasPrefix(s, "wp_lims-2_") }); i < 0 || !c.withKey(t, fields[i]) {
		t.Errorf("the new key: %q", fields)
	}
	c.end(t, syscall.SIGTERM)
}

// TestASetUpTokenIsGoodOnOneComputer: neither a copied folder nor a restored backup takes it along.
func TestASetUpTokenIsGoodOnOneComputer(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	bin := program(t, dir)
	identity, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	identityFile, file := filepath.Join(dir, "identity.txt"), filepath.Join(dir, "taken-along.tar")
	if err := os.WriteFile(identityFile, []byte(identity.String()+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	a := newHouse(t, bin, identity.Recipient().String(), "")
	token := func(h *house) string {
		b, _ := os.ReadFile(filepath.Join(h.journal, "set-up.token"))
		return strings.TrimSpace(string(b))
	}
	a.start(t)
	a.wait(t, "a set-up token", func() bool { return token(a) != "" })
	old := token(a)
	must(t, "backup", "create", "--config", a.config, "--out", file)
	a.end(t, syscall.SIGTERM)

	b := newHouse(t, bin, identity.Recipient().String(), "")
	must(t, "backup", "restore", file, "--into", b.journal, "--config", b.config, "--identity", identityFile)
	b.start(t)
	b.wait(t, "a set-up token", func() bool { return token(b) != "" })
	setUp := func(h *house, token, id string) int {
		status, _, _ := h.ask(t, "POST", "api/v1/set-up", fmt.Sprintf(`{"token":%q,"id":%q,"name":"A","secret":%q}`, token, id, adaSecret))
		return status
	}
	if status := setUp(b, old, "eve"); status != 401 {
		t.Errorf("the token of the other computer: %d", status)
	}
	if token(b) == old || setUp(b, token(b), "ada") != 200 {
		t.Error("its own token is none")
	}
	b.end(t, syscall.SIGTERM)
	a.start(t)
	if status := setUp(a, old, "ada"); status != 200 {
		t.Errorf("where it was made, after a restart: %d", status)
	}
	a.end(t, syscall.SIGTERM)
}
