//go:build linux

package gateway_test

import (
	"context"
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"

	"weighpost/gateway/config"
	"weighpost/gateway/console"
	"weighpost/gateway/rights"
	"weighpost/gateway/settings"
	"weighpost/parsers/strict"
)

// withSecrets is a lab in which everything that can holds a secret. Nobody answers anywhere.
const withSecrets = `site: seed-bank
journal: {folder: journal, timestamp: {url: "https://127.0.0.1:9/tsa", ca_file: DIR/ca.pem, user: bank, password: "file:DIR/secrets/stamps"}}
page: {listen: "127.0.0.1:0"}
sinks:
- {id: web, kind: http, url: "https://127.0.0.1:9/in", checkpoints: "https://127.0.0.1:9/heads", bearer: "file:DIR/secrets/web"}
- {id: web-2, kind: http, url: "https://127.0.0.1:10/in", user: bank, password: "file:DIR/secrets/web-2"}
- {id: broker, kind: mqtt, broker: "mqtts://127.0.0.1:9", username: bank, password: "file:DIR/secrets/broker"}
- {id: open, kind: http, url: "https://127.0.0.1:11/in"}
people:
  directory: {url: "ldap://127.0.0.1:9", starttls: true, bind_dn: "cn=reader,dc=seed-bank,dc=example", password: "file:DIR/secrets/reader",
    users: {base: "ou=people,dc=seed-bank,dc=example"}}
`

func newWithSecrets(t *testing.T) *house {
	t.Helper()
	h := newHouse(t)
	if err := os.Mkdir(filepath.Join(h.dir, "secrets"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"web", "web-2", "broker", "reader", "stamps", "new", "newer"} {
		h.write(t, "secrets/"+name, "secret of "+name)
	}
	// Two more names for a secret that is in use: a symbolic link and a second name of the file.
	web := filepath.Join(h.dir, "secrets", "web")
	if err := errors.Join(os.Symlink(web, web+"-link"), os.Link(web, web+"-twin")); err != nil {
		t.Fatal(err)
	}
	h.write(t, "ca.pem", "")
	h.start(t, withSecrets)
	return h
}

// TestTheAPISendsNoSecretElsewhere: each change that would show a secret to another than it was meant for, or on a less safe way,
// is refused at the key of the secret, and each that would not is taken (CWE-522, insufficiently protected credentials).
func TestTheAPISendsNoSecretElsewhere(t *testing.T) {
	t.Parallel()
	h := newWithSecrets(t)
	// What the directory is told takes the right people as well.
	ada := person(t, "ada", rights.Balances, rights.Sinks, rights.Settings, rights.Adopt, rights.People)
	const bearer, second = `"bearer": "file:DIR/secrets/web"`, `"bearer": "file:DIR/secrets/`
	sink := func(id, more string) string { return `{"id": "` + id + `", "kind": "http", ` + more + `}` }
	in, out := `"url": "https://127.0.0.1:9/in", "checkpoints": "https://127.0.0.1:9/heads"`, `"url": "https://127.0.0.1:666/in"`
	for name, c := range map[string]struct{ list, id, change, at string }{
		"another host":                       {"sinks", "web", sink("web", out+", "+bearer), "sinks[0].bearer"},
		"another path":                       {"sinks", "web", sink("web", strings.Replace(in, "/in", "/all", 1)+", "+bearer), "sinks[0].bearer"},
		"without TLS":                        {"sinks", "web", sink("web", strings.Replace(in, "https", "http", 1)+`, "insecure": true, `+bearer), "sinks[0].bearer"},
		"insecure alone":                     {"sinks", "web", sink("web", in+`, "insecure": true, `+bearer), "sinks[0].bearer"},
		"checkpoints elsewhere":              {"sinks", "web", sink("web", strings.Replace(in, "9/heads", "666/heads", 1)+", "+bearer), "sinks[0].bearer"},
		"checkpoints there at last":          {"sinks", "web-2", sink("web-2", `"url": "https://127.0.0.1:10/in", "checkpoints": "https://127.0.0.1:666/h", "user": "bank", "password": "file:DIR/secrets/web-2"`), "sinks[1].password"},
		"another authority vouches":          {"sinks", "web", sink("web", in+`, "ca": "DIR/ca.pem", `+bearer), "sinks[0].ca"}, // refused before
		"renamed and elsewhere":              {"", "", `{"sinks": [` + sink("other", out+", "+bearer) + `]}`, "sinks[0].bearer"},
		"a new one with a secret in use":     {"sinks", "s-9", sink("s-9", out+", "+bearer), "sinks[4].bearer"},
		"as a password":                      {"sinks", "s-9", sink("s-9", out+`, "user": "x", "password": "file:DIR/secrets/web"`), "sinks[4].password"},
		"by a link":                          {"sinks", "s-9", sink("s-9", out+", "+second+`web-link"`), "sinks[4].bearer"},
		"by another name":                    {"sinks", "s-9", sink("s-9", out+", "+second+`web-twin"`), "sinks[4].bearer"},
		"by a roundabout path":               {"sinks", "s-9", sink("s-9", out+", "+second+`../secrets/web"`), "sinks[4].bearer"},
		"of another sink":                    {"sinks", "web", sink("web", in+", "+second+`broker"`), "sinks[0].bearer"},
		"to one that had none":               {"sinks", "open", sink("open", `"url": "https://127.0.0.1:11/in", `+bearer), "sinks[3].bearer"},
		"to a broker":                        {"sinks", "web", `{"id": "web", "kind": "mqtt", "broker": "mqtts://127.0.0.1:8", "username": "x", "password": "file:DIR/secrets/web"}`, "sinks[0].password"},
		"another broker":                     {"sinks", "broker", `{"id": "broker", "kind": "mqtt", "broker": "mqtts://127.0.0.1:666", "username": "bank", "password": "file:DIR/secrets/broker"}`, "sinks[2].password"},
		"a broker without TLS":               {"sinks", "broker", `{"id": "broker", "kind": "mqtt", "broker": "mqtt://127.0.0.1:9", "insecure": true, "username": "bank", "password": "file:DIR/secrets/broker"}`, "sinks[2].password"},
		"another directory":                  {"", "", `{"people": {"directory": {"url": "ldap://127.0.0.1:666"}}}`, "people.directory.password"},
		"a directory without TLS":            {"", "", `{"people": {"directory": {"starttls": false}}}`, "people.directory.password"},
		"a directory's secret at a provider": {"", "", `{"people": {"openid": {"issuer": "https://127.0.0.1:666", "client_id": "x", "client_secret": "file:DIR/secrets/reader"}}}`, "people.openid.client_secret"},
		"another time-stamp authority":       {"", "", `{"journal": {"timestamp": {"url": "http://127.0.0.1:666/tsa"}}}`, "journal.timestamp.password"},

		"other words about the same":   {"sinks", "web", sink("web", in+`, "timeout": "20s", "retry_max": "2m", `+bearer), ""},
		"another name for it":          {"sinks", "web-3", sink("web-3", in+`, "cursor": "now", `+bearer), ""},
		"with a new secret":            {"sinks", "web", sink("web", out+`, "cursor": "keep", `+second+`new"`), ""},
		"without a secret":             {"sinks", "web", sink("web", out+`, "cursor": "keep"`), ""},
		"the directory asked longer":   {"", "", `{"people": {"directory": {"timeout": "20s"}}}`, ""},
		"a provider with a new secret": {"", "", `{"people": {"openid": {"issuer": "https://127.0.0.1:9", "client_id": "x", "client_secret": "file:DIR/secrets/new"}}}`, ""},
		"time-stamps more often":       {"", "", `{"journal": {"timestamp": {"every": "12h"}}}`, ""},
	} {
		a := h.tried(t, ada, c.list, c.id, c.change)
		refused := slices.ContainsFunc(a.Mistakes, func(m console.Mistake) bool {
			return m.Path == c.at && (strings.Contains(m.What, "would be sent elsewhere") || strings.HasSuffix(c.at, ".ca"))
		})
		if c.at == "" && a.Outcome != console.SettingsValid || c.at != "" && !refused {
			t.Errorf("%s: %+v", name, a)
		}
	}
	h.stop(t)
}

// tried has a change validated and not made.
func (h *house) tried(t *testing.T, who context.Context, list, id, change string) console.SettingsAnswer {
	t.Helper()
	c := console.SettingsChange{By: byOf(who), Reason: "a test", DryRun: true, List: list, ID: id}
	v, err := settings.Decode([]byte(strings.ReplaceAll(change, "DIR", h.dir)))
	if err != nil {
		t.Fatalf("%s: %v", change, err)
	}
	if c.Patch = v; list != "" {
		c.Patch, c.Item = nil, v.(map[string]any)
	}
	_, hash := h.Settings()
	c.Seen = []string{hash}
	a, err := h.ChangeSettings(who, c)
	if err != nil {
		t.Fatalf("%s: %v", change, err)
	}
	return a
}

// TestASecretIsSentElsewhereInNoNumberOfSteps: a secret that is in use nowhere any more is remembered, over restarts, with the place
// where it went last. What the host does is not held up.
func TestASecretIsSentElsewhereInNoNumberOfSteps(t *testing.T) {
	var shown atomic.Int32
	elsewhere := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if strings.Contains(r.Header.Get("Authorization"), "secret of web") {
			shown.Add(1)
		}
	}))
	defer elsewhere.Close()
	h := newWithSecrets(t)
	ada := keeper(t, "ada")
	steps := func(changes ...string) {
		t.Helper()
		for _, change := range changes {
			if a, err := h.patch(ada, t, strings.NewReplacer("DIR", h.dir, "ELSE", elsewhere.URL).Replace(change)); err != nil || a.Outcome != console.SettingsHold {
				t.Fatalf("%s: %+v %v", change, a, err)
			}
		}
	}
	refused := func(change string) {
		t.Helper()
		_, err := h.patch(ada, t, strings.NewReplacer("DIR", h.dir, "ELSE", elsewhere.URL).Replace(change))
		var faults strict.Faults
		if !errors.As(err, &faults) || !strings.Contains(err.Error(), "would be sent elsewhere") || strings.Contains(err.Error(), "secret of web") {
			t.Errorf("%s: %v", change, err)
		}
	}
	const thief = `{"sinks": [{"id": "s-9", "kind": "http", "url": "ELSE", "bearer": "file:DIR/secrets/web"}]}`
	steps(`{"sinks": null}`)
	refused(thief)
	steps(`{"log": {"level": "warn"}}`)
	h.again(t)
	refused(thief)
	refused(strings.Replace(thief, "secrets/web", "secrets/web-twin", 1))
	steps(`{"sinks": [{"id": "s-9", "kind": "http", "url": "ELSE", "bearer": "file:DIR/secrets/new"}]}`, `{"sinks": [{"id": "s-9", "kind": "http", "url": "ELSE"}]}`)
	refused(thief)
	// Back to where it went: nobody else sees it.
	steps(`{"sinks": [{"id": "web", "kind": "http", "url": "https://127.0.0.1:9/in", "checkpoints": "https://127.0.0.1:9/heads", "bearer": "file:DIR/secrets/web"}]}`)
	if shown.Load() > 0 {
		t.Error("the secret was shown elsewhere")
	}
	// On the host it may go elsewhere, and is at home there from then on.
	if err := h.reload(t, strings.NewReplacer("https://127.0.0.1:9/in", elsewhere.URL, "id: web", "id: web-4").Replace(h.read(t))); err != nil {
		t.Fatal(err)
	}
	steps(`{"sinks": null}`)
	refused(`{"sinks": [{"id": "web", "kind": "http", "url": "https://127.0.0.1:9/in", "checkpoints": "https://127.0.0.1:9/heads", "bearer": "file:DIR/secrets/web"}]}`)
	h.stop(t)
	cfg, err := config.LoadFile(h.file())
	if err != nil || len(cfg.Sinks) != 0 {
		t.Errorf("%v", err)
	}
}
