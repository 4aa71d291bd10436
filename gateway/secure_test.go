//go:build linux

package gateway_test

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/gateway"
	"weighpost/gateway/access/openid/optest"
	"weighpost/gateway/certificate"
	"weighpost/gateway/config"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// secureDaemon is a daemon without balances, whose page has TLS.
type secureDaemon struct {
	*gateway.Gateway
	dir, file string
}

func (d *secureDaemon) text(page, people string) string {
	return fmt.Sprintf("site: seed-bank\njournal: {folder: journal, space: {warn: 128 KiB, low: 128 KiB, reserve: 64 KiB}}\npage: {listen: \"127.0.0.1:0\", %s}\npeople: {%s}\n", page, people)
}

func (d *secureDaemon) write(t *testing.T, page, people string) {
	t.Helper()
	if err := os.WriteFile(d.file, []byte(d.text(page, people)), 0o600); err != nil {
		t.Fatal(err)
	}
}

func startSecure(t *testing.T, page, people string) *secureDaemon {
	t.Helper()
	d := &secureDaemon{dir: t.TempDir()}
	d.file = filepath.Join(d.dir, "weighpost.yaml")
	d.write(t, page, people)
	cfg, err := config.LoadFile(d.file)
	if err != nil {
		t.Fatal(err)
	}
	d.Gateway = gateway.New(cfg, gateway.Options{Hasher: littleWork()})
	if err := d.Start(t.Context()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		limit, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 20*time.Second)
		defer cancel()
		if err := d.Stop(limit); err != nil {
			t.Error(err)
		}
	})
	return d
}

// healthy asks the page, holding it to the certificate that is noted in the journal's folder.
func (d *secureDaemon) healthy() error {
	leaf, err := certificate.First(certificate.ServedFile(filepath.Join(d.dir, "journal")))
	if err != nil {
		return err
	}
	client := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{TLSClientConfig: certificate.Pin(leaf), DisableKeepAlives: true}}
	resp, err := client.Get(d.PageURL() + "healthz")
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("%s", resp.Status)
	}
	return nil
}

// TestTheCertificateOfThePageChanges by a reload: to one with another name, to one that was given and is bad, to a good one, and
// to none.
func TestTheCertificateOfThePageChanges(t *testing.T) {
	d := startSecure(t, "tls: {self_made: true}", "")
	first, made, ok := d.PageCertificate()
	if err := d.healthy(); err != nil || !made || !ok || !strings.HasPrefix(d.PageURL(), "https://127.0.0.1:") {
		t.Fatal(err, made, ok, d.PageURL())
	}
	reload := func(page string) error {
		t.Helper()
		d.write(t, page, "")
		return d.ReloadFile(t.Context(), d.file)
	}
	if err := reload("tls: {self_made: true}, names: [page.lab.example]"); err != nil {
		t.Fatal(err)
	}
	second, _, _ := d.PageCertificate()
	if err := d.healthyAt("127.0.0.1"); err != nil || second.Fingerprint == first.Fingerprint || !strings.Contains(strings.Join(second.Names, " "), "page.lab.example") {
		t.Errorf("with another name: %v, %v", second, err)
	}
	if err := reload("tls: {certificate: page.pem, key: page.key}"); err == nil || !strings.Contains(err.Error(), "page.pem: no such file") {
		t.Errorf("a certificate that is not there: %v", err)
	}
	if after, _, _ := d.PageCertificate(); after.Fingerprint != second.Fingerprint || d.healthyAt("127.0.0.1") != nil {
		t.Error("a refused reload changed the certificate")
	}
	for from, to := range map[string]string{"page-certificate.pem": "page.pem", "page-key.pem": "page.key"} {
		b, err := os.ReadFile(filepath.Join(d.dir, "journal", from))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(d.dir, to), b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := reload("tls: {certificate: page.pem, key: page.key}"); err != nil {
		t.Fatal(err)
	}
	if _, made, ok := d.PageCertificate(); made || !ok || d.healthy() != nil {
		t.Errorf("given: made %t, %t, %v", made, ok, d.healthy())
	}
	if err := reload(""); err != nil {
		t.Fatal(err)
	}
	resp, err := http.Get(d.PageURL() + "healthz")
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("without TLS: %v", err)
	}
	resp.Body.Close()
	http.DefaultClient.CloseIdleConnections()
}

// healthyAt is healthy at an address, whatever name the page has.
func (d *secureDaemon) healthyAt(host string) error {
	leaf, err := certificate.First(certificate.ServedFile(filepath.Join(d.dir, "journal")))
	if err != nil {
		return err
	}
	u, err := url.Parse(d.PageURL())
	if err != nil {
		return err
	}
	client := http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{TLSClientConfig: certificate.Pin(leaf), DisableKeepAlives: true}}
	resp, err := client.Get("https://" + host + ":" + u.Port() + "/healthz")
	if err != nil {
		return err
	}
	return resp.Body.Close()
}

// TestADaemonRecordsWithoutAUsableCertificate: a page that cannot be opened is a condition, and no reason not to record.
func TestADaemonRecordsWithoutAUsableCertificate(t *testing.T) {
	d := startSecure(t, "tls: {certificate: page.pem, key: page.key}", "")
	if err := d.healthy(); err == nil {
		t.Error("a page without a certificate answers")
	}
	until(t, func() bool {
		for _, c := range d.Conditions() {
			if c.Code == "certificate-refused" && c.Severity == "error" {
				return true
			}
		}
		return false
	}, "nothing says that the page cannot be opened")
}

// ask sends what a browser sends when it follows a link from elsewhere.
func ask(t *testing.T, browser *http.Client, address string) (*http.Response, string) {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Sec-Fetch-Site", "cross-site")
	req.Header.Set("Sec-Fetch-Mode", "navigate")
	resp, err := browser.Do(req)
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

// TestSigningInAtAProviderFromTheBrowserToTheJournal goes through a real provider, with two browsers.
func TestSigningInAtAProviderFromTheBrowserToTheJournal(t *testing.T) {
	provider := optest.Start(t, optest.Options{TLS: true, Client: "weighpost", Secret: "planted-openid-secret", People: map[string]optest.Person{
		"ada": {Secret: "correct horse", Subject: "s-0042", Login: "ada", Name: "Ada Brook", Groups: []string{"weighers", "others"}},
		"bo":  {Secret: "other horse", Subject: "s-0043", Login: "bo", Name: "Bo Lind", Groups: []string{"others"}},
	}})
	t.Setenv("WEIGHPOST_TEST_OPENID", "planted-openid-secret")
	d := startSecure(t, "tls: {self_made: true}", fmt.Sprintf("visitors: nothing, openid: {issuer: %q, client_id: weighpost, client_secret: env:WEIGHPOST_TEST_OPENID, ca: %q, "+
		"groups: [{group: weighers, roles: [operator]}]}", provider.URL, provider.CA))
	page := strings.TrimSuffix(d.PageURL(), "/")
	provider.Allow(page + "/sign-in/openid")

	browser := optest.Browser(t)
	begin := func(browser *http.Client) string {
		t.Helper()
		resp, body := ask(t, browser, page+"/api/v1/session/openid")
		if resp.StatusCode != http.StatusSeeOther {
			t.Fatalf("%d %s", resp.StatusCode, body)
		}
		return resp.Header.Get("Location")
	}
	back := provider.SignIn(t, browser, begin(browser), "ada", "correct horse")
	if resp, body := ask(t, optest.Browser(t), back); resp.StatusCode != http.StatusBadRequest {
		t.Errorf("in another browser: %d %s", resp.StatusCode, body)
	}
	resp, body := ask(t, browser, back)
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("%d %s", resp.StatusCode, body)
	}
	for _, c := range resp.Cookies() {
		if !c.Secure || !c.HttpOnly || !strings.HasPrefix(c.Name, "__Host-") {
			t.Errorf("the cookie %s", c)
		}
	}
	if resp, body := ask(t, browser, back); resp.StatusCode == http.StatusOK {
		t.Errorf("the same answer again: %d %s", resp.StatusCode, body)
	}
	who, err := browser.Get(page + "/api/v1/session")
	if err != nil {
		t.Fatal(err)
	}
	b, _ := io.ReadAll(who.Body)
	who.Body.Close()
	if who.StatusCode != http.StatusOK || !strings.Contains(string(b), "Ada Brook") || !strings.Contains(string(b), `"openid"`) {
		t.Errorf("who it is: %d %s", who.StatusCode, b)
	}
	other := optest.Browser(t)
	if resp, body := ask(t, other, provider.SignIn(t, other, begin(other), "bo", "other horse")); resp.StatusCode == http.StatusOK || !strings.Contains(body, "gives a role") {
		t.Errorf("without a role: %d %s", resp.StatusCode, body)
	}
	d.journalSays(t, map[string]int{"signed-in": 1, "sign-in-refused": 1})
}

// journalSays counts entries that tell of people, and looks for what must not be in them.
func (d *secureDaemon) journalSays(t *testing.T, want map[string]int) {
	t.Helper()
	limit, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), 20*time.Second)
	defer cancel()
	if err := d.Stop(limit); err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(limit, journal.Options{Dir: filepath.Join(d.dir, "journal"), Site: "seed-bank", Existing: true})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := j.Close(); err != nil {
			t.Error(err)
		}
	}()
	entries, err := j.Read(limit, 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]int{}
	for _, e := range entries {
		if strings.Contains(string(e.JSON), "planted-openid-secret") {
			t.Errorf("a secret is in the journal: %s", e.JSON)
		}
		if e.Kind == record.KindSignedIn && (!strings.Contains(string(e.JSON), `"id":"ada"`) || !strings.Contains(string(e.JSON), `"by":"openid"`)) {
			t.Errorf("%s", e.JSON)
		}
		got[string(e.Kind)]++
	}
	for kind, n := range want {
		if got[kind] != n {
			t.Errorf("%d entries of the kind %s, want %d: %v", got[kind], kind, n, got)
		}
	}
}
