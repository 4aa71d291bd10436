package leaks

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/tls"
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"filippo.io/age"
	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"go.uber.org/goleak"

	"weighpost/gateway"
	accesssecret "weighpost/gateway/access/secret"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/port/pty"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// lab is a daemon with secrets everywhere, and whoever asks it.
type lab struct {
	t       *testing.T
	dir     string
	journal string
	g       *gateway.Gateway
	cord    *pty.Cord
	client  http.Client
	log     syncBuffer
	door    onlyWith
	secrets []secret
	answers int
	run     string
	hay     *haystack
}

type syncBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (s *syncBuffer) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.b.Write(p)
}

// knows notes a secret, and the places that may hold it.
func (l *lab) knows(name, value string, kept ...string) string {
	l.t.Helper()
	l.secrets = append(l.secrets, secret{name, []byte(value), kept})
	return value
}

// file writes a secret into a file of its own.
func (l *lab) file(name, value string) string {
	l.t.Helper()
	path := filepath.Join(l.dir, name)
	if err := os.WriteFile(path, []byte(value+"\n"), 0o600); err != nil {
		l.t.Fatal(err)
	}
	return path
}

func (l *lab) read(name string) string {
	l.t.Helper()
	b, err := os.ReadFile(filepath.Join(l.journal, name))
	if err != nil {
		l.t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

func newLab(t *testing.T) *lab {
	t.Helper()
	l := &lab{t: t, dir: t.TempDir(), hay: &haystack{t: t, piles: map[string][]byte{}}}
	l.journal = filepath.Join(l.dir, "journal")
	l.cord = pty.NewCord(filepath.Join(l.dir, "port"))
	if err := l.cord.Plug(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.cord.Pull() })
	layout, err := filepath.Abs("../../testdata/layouts/fixed-line.yaml")
	if err != nil {
		t.Fatal(err)
	}
	identity, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	for _, folder := range []string{"backups", "share"} {
		if err := os.Mkdir(filepath.Join(l.dir, folder), 0o750); err != nil {
			t.Fatal(err)
		}
	}
	l.door.password = l.knows("the broker's password", "Br0ker & <Moor> ü-5520")
	text := fmt.Sprintf(`site: seed-bank
journal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}
page: {listen: "127.0.0.1:0", tls: {self_made: true}}
balances:
- {id: b-1, port: {address: %q, speed: 115200}, layout: %q, record: printed}
sinks:
- {id: broker, kind: mqtt, broker: "mqtt://%s", username: weighpost, password: "file:%s", self_test: false}
- {id: gone, kind: mqtt, broker: "mqtt://%s", username: weighpost, password: "file:%s"}
- {id: share, kind: files, folder: %q, format: ndjson}
backup: {folder: %q, recipients: [%q]}
people:
  badge: {sign_in: true, pin: true}
  directory:
    url: "ldap://%s"
    bind_dn: cn=reader,dc=seed-bank,dc=example
    password: "file:%s"
    users: {base: "ou=people,dc=seed-bank,dc=example"}
    timeout: 500ms
`,
		l.cord.Path(), layout, broker(t, &l.door), l.file("mqtt", l.door.password), closedPort(t),
		l.file("gone", l.knows("another broker's password", "unreachable-Moor-7713")), filepath.Join(l.dir, "share"),
		filepath.Join(l.dir, "backups"), identity.Recipient(), closedPort(t), l.file("ldap", l.knows("the directory's password", "Bind&Schilf=äöü-9921")))
	cfg, faults := config.Load(filepath.Join(l.dir, "weighpost.yaml"), []byte(text))
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	if err := os.WriteFile(filepath.Join(l.dir, "weighpost.yaml"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	l.g = gateway.New(cfg, gateway.Options{Log: slog.New(slog.NewJSONHandler(&l.log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	l.client.Transport = &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: true}, DisableKeepAlives: true} // the page's own
	l.client.Timeout = time.Minute
	return l
}

// onlyWith lets in whoever has a password.
type onlyWith struct {
	mochi.HookBase
	password string
	shown    atomic.Bool
}

func (*onlyWith) ID() string { return "password" }

func (*onlyWith) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck
}

func (o *onlyWith) OnConnectAuthenticate(_ *mochi.Client, p packets.Packet) bool {
	right := string(p.Connect.Password) == o.password
	o.shown.Store(o.shown.Load() || right)
	return right
}

func (*onlyWith) OnACLCheck(*mochi.Client, string, bool) bool { return true }

// broker is one that wants a password.
func broker(t *testing.T, door *onlyWith) (address string) {
	t.Helper()
	server := mochi.New(&mochi.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(door, nil); err != nil {
		t.Fatal(err)
	}
	listener := listeners.NewTCP(listeners.Config{ID: "loopback", Address: "127.0.0.1:0"})
	if err := server.AddListener(listener); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Close() })
	return listener.Address()
}

// closedPort is an address at which nobody answers.
func closedPort(t *testing.T) string {
	t.Helper()
	n, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer n.Close()
	return n.Addr().String()
}

// ask sends a request and keeps the answer, headers and all, for the search. What the answer is made to show once, and the
// cookie, is given back and not kept: shows names the field.
func (l *lab) ask(status int, method, path, body, shows string, header ...string) (shown string, cookie *http.Cookie) {
	l.t.Helper()
	req, err := http.NewRequestWithContext(l.t.Context(), method, l.g.PageURL()+path, strings.NewReader(body))
	if err != nil {
		l.t.Fatal(err)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	resp, err := l.client.Do(req)
	if err != nil {
		l.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		l.t.Fatal(err)
	}
	if status != 0 && resp.StatusCode != status {
		l.t.Fatalf("%s %s: %d, not %d: %s", method, path, resp.StatusCode, status, b)
	}
	for _, c := range resp.Cookies() {
		if c.Value != "" {
			cookie = c
		}
	}
	resp.Header.Del("Set-Cookie")
	if shows != "" && resp.StatusCode < 300 {
		var fields map[string]any
		_ = json.Unmarshal(b, &fields)
		if shown, _ = fields[shows].(string); shown == "" {
			l.t.Fatalf("%s %s shows no %s: %s", method, path, shows, b)
		}
		b = bytes.Replace(b, []byte(shown), []byte("…"), 1) // once, and not a second time
	}
	l.answers++
	l.hay.unpacked(fmt.Sprintf("answer %d, to %s %s", l.answers, method, path), fmt.Appendf(b, "\n%v", resp.Header))
	return shown, cookie
}

func bearer(token string) []string { return []string{"Authorization", "Bearer " + token} }

// asPage are the headers of the page, with its cookie.
func asPage(c *http.Cookie) []string {
	return []string{"Cookie", c.Name + "=" + c.Value, "X-Weighpost-Page", "1", "Sec-Fetch-Site", "same-origin"}
}

// TestNoSecretIsWrittenOrSaid: passwords, PINs, keys, cookies, tokens, private keys and the passwords of others, each used right
// and wrong, are in no file of the journal's folder but those made for them, in no log line, answer, entry, export, delivered
// file, report or bundle, nor in the clear parts of a backup, and nothing of people and weighings is in a bundle for whoever helps (21 CFR 11.300; NIST SP 800-63B-4, 3.1.1.2; OWASP Logging Cheat Sheet, data to exclude).
func TestNoSecretIsWrittenOrSaid(t *testing.T) {
	l := newLab(t)
	if err := l.g.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	host := l.knows("the host's token", l.read("api.token"), "journal/api.token")
	var setUp string
	waitFor(t, "a set-up token", func() bool {
		b, err := os.ReadFile(filepath.Join(l.journal, "set-up.token"))
		setUp = strings.TrimSpace(string(b))
		return err == nil
	})
	l.knows("the set-up token", setUp)
	l.privateKeys()
	cookie := l.people(host, setUp)
	l.programs(host)
	l.mistakes(host, cookie)
	l.weighings()
	l.reviews(host)
	l.everything(host)
	l.supported("support up", host)

	limit, cancel := contextFor(t)
	defer cancel()
	if err := l.g.Stop(limit); err != nil {
		t.Fatal(err)
	}
	l.supported("support down", "")
	l.collect()
	l.impersonal()
	for _, found := range l.hay.find(l.secrets) {
		t.Error(found)
	}
	size := 0
	for _, pile := range l.hay.piles {
		size += len(pile)
	}
	t.Logf("%d secrets looked for in %d places, %d bytes", len(l.secrets), len(l.hay.piles), size)
}

// privateKeys notes the keys that the daemon made for itself.
func (l *lab) privateKeys() {
	parts := strings.SplitN(l.read("key"), "+", 5) // PRIVATE, KEY, name, hash and the key, in which there may be more of them
	l.knows("the journal's key", parts[len(parts)-1], "journal/key")
	block, _ := pem.Decode([]byte(l.read("page-key.pem")))
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		l.t.Fatal(err)
	}
	private, err := key.(*ecdsa.PrivateKey).Bytes()
	if err != nil {
		l.t.Fatal(err)
	}
	l.knows("the page's key", string(private), "journal/page-key.pem")
	lines := strings.Split(l.read("page-key.pem"), "\n")
	l.knows("the page's key as text", lines[1], "journal/page-key.pem")
}

// people signs in with every kind of secret of people, right and wrong.
func (l *lab) people(host, setUp string) *http.Cookie {
	first := l.knows("a password", "Farn, Moor & \"Halm\" <ü> 41?")
	l.ask(401, "POST", "api/v1/set-up", js(`{"token":%q,"id":"ada","name":"A","secret":%q}`, setUp[:len(setUp)-1]+"x", first), "")
	l.ask(422, "POST", "api/v1/set-up", js(`{"tokens":%q,"id":"ada","secret":%q}`, setUp, first), "")
	_, cookie := l.ask(200, "POST", "api/v1/set-up", js(`{"token":%q,"id":"ada","name":"Ada","secret":%q}`, setUp, first), "")
	l.knows("a session", cookie.Value)
	l.ask(0, "POST", "api/v1/set-up", js(`{"token":%q,"id":"eve","name":"Eve","secret":%q}`, setUp, first), "")

	wrong := l.knows("a wrong password", "Falsch geraten: Rohr+Igel 12")
	l.ask(401, "POST", "api/v1/session", js(`{"login":"ada","secret":%q}`, wrong), "")
	l.ask(0, "POST", "api/v1/session", js(`{"login":"nobody","secret":%q}`, wrong), "") // the directory is asked, and does not answer
	l.ask(0, "POST", "api/v1/session", js(`{"login":%q,"secret":"ada"}`, first), "")    // in the wrong field
	_, again := l.ask(200, "POST", "api/v1/session", js(`{"login":"ada","secret":%q}`, first), "")
	l.knows("another session", again.Value)
	l.ask(200, "GET", "api/v1/session", "", "", asPage(again)...)
	l.ask(200, "GET", "api/v1/session", "", "", "Cookie", again.Name+"="+l.knows("a wrong cookie", strings.Repeat("3fa95d01", 8)))

	second := l.knows("a changed password", "Vetch %41 sorrel + kaolin/9")
	l.ask(409, "PUT", "api/v1/session/secret", js(`{"old":%q,"secret":%q}`, first, l.knows("a refused password", "qwertyuiopasdfghjk")), "", asPage(again)...)
	l.ask(0, "PUT", "api/v1/session/secret", js(`{"old":%q,"secret":%q}`, wrong, second), "", asPage(again)...)
	_, cookie = l.ask(200, "PUT", "api/v1/session/secret", js(`{"old":%q,"secret":%q}`, first, second), "", asPage(again)...)
	l.knows("a renewed session", cookie.Value)

	l.ask(0, "POST", "api/v1/people", js(`{"id":"bob","name":"Bob","roles":["operator"],"secret":%q}`, l.knows("a first password", "Erst einmal: Kelp #7 Igel")), "", bearer(host)...)
	once, _ := l.ask(200, "POST", "api/v1/people/bob/secret-reset", `{"reason":"forgotten"}`, "secret", bearer(host)...)
	l.knows("a one-time password", once)
	_, bob := l.ask(200, "POST", "api/v1/session", js(`{"login":"bob","secret":%q}`, once), "")
	l.knows("a session to change the password", bob.Value)

	pin, badge := l.knows("a PIN", "80531729465108"), "BADGE-604815"
	l.ask(0, "PUT", "api/v1/people/bob/pin", js(`{"pin":%q,"reason":"new"}`, l.knows("a refused PIN", "11111111111111")), "", bearer(host)...)
	l.ask(200, "PUT", "api/v1/people/bob/pin", js(`{"pin":%q,"reason":"new"}`, pin), "", bearer(host)...)
	l.ask(200, "POST", "api/v1/people/bob/badges", js(`{"code":%q,"reason":"new"}`, badge), "", bearer(host)...)
	l.ask(401, "POST", "api/v1/session/badge", js(`{"code":%q,"pin":%q,"balance":"b-1"}`, badge, l.knows("a wrong PIN", "71904482635519")), "")
	_, bench := l.ask(200, "POST", "api/v1/session/badge", js(`{"code":%q,"pin":%q,"balance":"b-1"}`, badge, pin), "")
	l.knows("a session at a bench", bench.Value)
	return cookie
}

// programs uses keys of programs.
func (l *lab) programs(host string) {
	key, _ := l.ask(0, "POST", "api/v1/keys", `{"id":"lims-1","name":"lab system","roles":["machine"],"reason":"new"}`, "key", bearer(host)...)
	random := key[len("wp_lims-1_"):]
	l.knows("a program's key", random)
	l.ask(200, "GET", "api/v1/weighings", "", "", bearer(key)...)
	other, _, err := accesssecret.NewKey("lims-1")
	if err != nil {
		l.t.Fatal(err)
	}
	l.knows("a wrong key", other[len("wp_lims-1_"):])
	l.ask(401, "GET", "api/v1/weighings", "", "", bearer(other)...)
	l.ask(0, "POST", "api/v1/balances/b-1/context", js(`{"by":"x","note":%q}`, key), "", bearer(key)...)
	l.ask(0, "GET", "api/v1/weighings", "", "", bearer(key[:len(key)-1]+"_")...) // mistyped
	l.ask(0, "GET", "api/v1/weighings?key="+key, "", "")                         // in an address, where keys do not belong
	l.ask(0, "DELETE", "api/v1/keys/lims-1?reason=end", "", "", bearer(host)...)
	l.ask(0, "GET", "api/v1/weighings", "", "", bearer(key)...)
}

// mistakes shows secrets in ways that are no way.
func (l *lab) mistakes(host string, cookie *http.Cookie) {
	wrong := l.knows("a wrong host's token", "Zm9sc2NoZXMtVG9rZW4tZGVzLVdpcnRz")
	l.ask(0, "POST", "api/v1/backups", `{"by":"ada"}`, "", bearer(wrong)...)
	password := l.knows("a password in a body that is none", "Im Rumpf: Lupine ~ Distel 55")
	for _, body := range []string{
		js(`{"login":"ada","secret":[%q]}`, password), js(`{"login":"ada","secret":%q,"more":1}`, password), js(`{"login":%q}`, password),
		js(`{"login":"ada","secret":{"is":%q}}`, password), js(`{"login":"ada","secret":%q`, password), js(`"%q"`, password),
		js(`{"login":"ada","secret":%q}`, strings.Repeat(password, 60)), js(`{"login":"ada","secret":"","Secret":%q}`, password),
	} {
		l.ask(0, "POST", "api/v1/session", body, "")
	}
	for _, h := range [][]string{{"Authorization", password}, {"Authorization", "Basic " + password}, {"Cookie", "weighpost=" + strings.ReplaceAll(password, " ", "")},
		{"Authorization", "bearer  " + host}, {"Authorization", "Bearer " + host + "x"}} {
		l.ask(0, "POST", "api/v1/backups", `{"by":"ada"}`, "", h...)
	}
	l.ask(0, "POST", "api/v1/backups", `{"by":"ada"}`, "", "Cookie", cookie.Name+"="+cookie.Value) // as a page of another site sends it
	l.ask(0, "PUT", "api/v1/people/ada/pin", js(`{"pin":[%q]}`, l.knows("a PIN in a body that is none", "62280417395538")), "", bearer(host)...)
	l.ask(0, "PUT", "api/v1/session/secret", js(`{"old":[%q],"secret":1}`, password), "", asPage(cookie)...)
	l.ask(0, "POST", "api/v1/people", js(`{"id":"x y","name":"","roles":[],"secret":%q,"n":1}`, password), "", bearer(host)...)
}

// weighings records some, so that there is something to export.
func (l *lab) weighings() {
	waitFor(l.t, "the port", func() bool { return l.g.Balances()[0].PortUp })
	for n := range 5 {
		if _, err := l.cord.Write(fmt.Appendf(nil, "%6d.%03d g\r\n", 12, 345+n)); err != nil {
			l.t.Fatal(err)
		}
	}
	waitFor(l.t, "the broker's client", l.door.shown.Load)
	waitFor(l.t, "the weighings", func() bool { return l.g.Balances()[0].Recorded == 5 })
}

// everything asks whatever can be asked without changing anything, and for a backup.
func (l *lab) everything(host string) {
	l.ask(200, "POST", "api/v1/backups", `{"by":"ada"}`, "", bearer(host)...)
	for _, format := range []string{"ndjson", "csv", "parquet", "pdf"} {
		l.ask(200, "GET", "api/v1/export?pack=zip&format="+format, "", "", bearer(host)...)
	}
	var doc struct{ Paths map[string]map[string]any }
	req, _ := http.NewRequestWithContext(l.t.Context(), "GET", l.g.PageURL()+"api/v1/openapi.json", nil)
	resp, err := l.client.Do(req)
	if err != nil {
		l.t.Fatal(err)
	}
	defer resp.Body.Close()
	if err := json.NewDecoder(resp.Body).Decode(&doc); err != nil || len(doc.Paths) < 20 {
		l.t.Fatalf("%d routes, %v", len(doc.Paths), err)
	}
	fill := strings.NewReplacer("/balances/{id}", "/balances/b-1", "/people/{id}", "/people/bob", "{name}", "x", "{session}", "x", "{run}", l.run, "{id}", "lims-1")
	for path, methods := range doc.Paths {
		if methods["get"] != nil && !strings.HasSuffix(path, "/stream") && !strings.HasSuffix(path, "/next") {
			l.ask(0, "GET", strings.TrimPrefix(fill.Replace(path), "/")+"?limit=1000", "", "", bearer(host)...)
			l.ask(0, "GET", strings.TrimPrefix(fill.Replace(path), "/"), "", "", bearer(host)...)
		}
	}
	for _, path := range []string{"", "sign-in", "healthz", "readyz", "metrics", "goroutines", "nowhere"} {
		l.ask(0, "GET", path, "", "", bearer(host)...)
		l.ask(0, "GET", path, "", "")
	}
}

// collect gathers what was written.
func (l *lab) collect() {
	l.hay.folder("journal", l.journal)
	l.hay.folder("share", filepath.Join(l.dir, "share"))
	l.hay.folder("backups", filepath.Join(l.dir, "backups"))
	config, err := os.ReadFile(filepath.Join(l.dir, "weighpost.yaml"))
	if err != nil {
		l.t.Fatal(err)
	}
	l.hay.add("configuration", config)
	l.log.mu.Lock()
	l.hay.add("log", bytes.Clone(l.log.b.Bytes()))
	l.log.mu.Unlock()
	var entries bytes.Buffer
	kinds := map[string]int{}
	err = journal.Scan(l.t.Context(), l.journal, 0, entryWriter(&entries, kinds))
	if err != nil {
		l.t.Fatal(err)
	}
	l.hay.add("entries", entries.Bytes())
	// What was to be used was used: else nothing of it could be found.
	for _, kind := range []string{"person-changed", "signed-in", "sign-in-refused", "api-key-changed", "weighing", "backup", "signature", "signature-refused", "report-issued"} {
		if kinds[kind] == 0 {
			l.t.Errorf("there is no entry %s among %v", kind, kinds)
		}
	}
	for _, must := range []string{"journal/secrets.json", "journal/api.token", "journal/journal.db", "log"} {
		if len(l.hay.piles[must]) == 0 {
			l.t.Errorf("%s was not searched", must)
		}
	}
}
