package http

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log"
	"math/big"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"weighpost/parsers/strict"
	"weighpost/sinks/sinktest"
)

// clientPair makes a client certificate that vouches for itself, as PEM files.
func clientPair(t *testing.T) (certificate, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "weighpost"}, IsCA: true, BasicConstraintsValid: true,
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth},
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, private.Public(), private)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AddCert(parsed)
	return writePEM(t, "CERTIFICATE", der), writePEM(t, "PRIVATE KEY", keyDER), pool
}

func writePEM(t *testing.T, kind string, der []byte) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "file.pem")
	if err := os.WriteFile(name, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

func TestTLS(t *testing.T) {
	certificate, key, pool := clientPair(t)
	server := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	server.TLS = &tls.Config{ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool}
	server.Config.ErrorLog = log.New(discard{}, "", 0)
	server.StartTLS()
	defer server.Close()
	ca := writePEM(t, "CERTIFICATE", server.Certificate().Raw)

	old := httptest.NewUnstartedServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	old.TLS = &tls.Config{MinVersion: tls.VersionTLS10, MaxVersion: tls.VersionTLS11}
	old.Config.ErrorLog = log.New(discard{}, "", 0)
	old.StartTLS()
	defer old.Close()

	for what, c := range map[string]struct {
		url, ca, certificate, key, want, words string
	}{
		"both sides known":                             {server.URL, ca, certificate, key, "accepted", ""},
		"an unknown authority":                         {server.URL, "", certificate, key, "stopped", "the server's certificate is not trusted"},
		"no client certificate":                        {server.URL, ca, "", "", "stopped", "perhaps for the client certificate"},
		"a file that is no authority":                  {server.URL, key, "", "", "stopped", "holds no certificate in PEM form"},
		"a missing file":                               {server.URL, ca + "x", "", "", "stopped", "cannot be read"},
		"a key that does not belong":                   {server.URL, ca, ca, key, "stopped", "cannot be used"},
		"a server that has TLS 1.1 only":               {old.URL, writePEM(t, "CERTIFICATE", old.Certificate().Raw), "", "", "stopped", "protocol version"},
		"another name than the one in the certificate": {strings.Replace(server.URL, "127.0.0.1", "localhost", 1), ca, certificate, key, "stopped", "not trusted"},
	} {
		t.Run(what, func(t *testing.T) {
			cfg := *Default()
			cfg.URL, cfg.CA, cfg.Certificate, cfg.Key = c.url, c.ca, c.certificate, c.key
			_, err := openSink(t, cfg).Deliver(t.Context(), sinktest.Weighings(1, 1))
			if outcome(err) != c.want || err != nil && !strings.Contains(err.Error(), c.words) {
				t.Errorf("%s (%v), want %s with %q", outcome(err), err, c.want, c.words)
			}
		})
	}
}

type discard struct{}

func (discard) Write(b []byte) (int, error) { return len(b), nil }

func secret(t *testing.T, ref string) strict.Secret {
	t.Helper()
	s, err := strict.SecretFrom(ref)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestCredentials: the token's form is RFC 6750 section 2.1; the pair is the example of RFC 7617 section 2, user Aladdin.
func TestCredentials(t *testing.T) {
	file := filepath.Join(t.TempDir(), "token")
	r := newReceiver(t)
	s := openSink(t, r.config(func(c *Config) { c.Bearer = secret(t, "file:"+file) }))
	e := sinktest.Weighings(1, 1)
	if _, err := s.Deliver(t.Context(), e); outcome(err) != "stopped" || !strings.Contains(err.Error(), file) {
		t.Errorf("without the file: %v", err)
	}
	for _, token := range []string{"first-token", "second-token"} { // changed while the sink is open
		if err := os.WriteFile(file, []byte(token+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := s.Deliver(t.Context(), e); err != nil {
			t.Fatal(err)
		}
		if got := r.headers[len(r.headers)-1].Get("Authorization"); got != "Bearer "+token {
			t.Errorf("got %q", got)
		}
	}
	if err := os.WriteFile(file, []byte("two words"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Deliver(t.Context(), e); outcome(err) != "stopped" || strings.Contains(err.Error(), "two words") {
		t.Errorf("a token with a space: %v", err)
	}

	t.Setenv("WEIGHPOST_TEST_PASSWORD", "open sesame")
	s = openSink(t, r.config(func(c *Config) { c.User, c.Password = "Aladdin", secret(t, "env:WEIGHPOST_TEST_PASSWORD") }))
	if _, err := s.Deliver(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	if got := r.headers[len(r.headers)-1].Get("Authorization"); got != "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==" {
		t.Errorf("got %q", got)
	}
}

// TestErrorsKeepQueriesToThemselves: a URL may carry a key of the receiver's in its query.
func TestErrorsKeepQueriesToThemselves(t *testing.T) {
	r := newReceiver(t)
	s := openSink(t, r.config(func(c *Config) { c.URL += "?key=hush" }))
	r.stop()
	_, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
	if outcome(err) != "again" || strings.Contains(err.Error(), "hush") {
		t.Errorf("got %v", err)
	}
}

func TestConfigFaults(t *testing.T) {
	for text, want := range map[string]string{
		"method: POST":                                                                                   "url: the URL is missing",
		"url: \"https://%zz\"":                                                                           "url: is no URL",
		"url: https://user:pw@lab.example/w":                                                             "url: the URL holds a user name or a password",
		"url: ftp://lab.example/w":                                                                       `url: the scheme "ftp" is not known`,
		"url: https:///w":                                                                                "url: the URL names no host",
		"url: \"https://lab.example/w#x\"":                                                               "url: the part after # is never sent",
		"url: http://lab.example/w":                                                                      "url: the connection to lab.example would not be encrypted",
		"url: https://lab.example/w\nmethod: PUT":                                                        "method: PUT replaces what is at the URL",
		"url: https://lab.example/w\nmethod: GET":                                                        "method: ",
		"url: \"https://lab.example/{id}\"\nbody: array":                                                 "body: sends several entries",
		"url: \"https://lab.example/w?id={id}\"":                                                         "url: {id} stands outside of the path",
		"url: \"https://{id}.example/w\"":                                                                "url: {id} stands outside of the path",
		"url: https://lab.example/w\nbody: xml":                                                          "body: ",
		"url: https://lab.example/w\ntimeout: 1ms":                                                       "timeout: 1ms is out of range",
		"url: https://lab.example/w\nuser: a":                                                            "user: user and password go together",
		"url: https://lab.example/w\nuser: \"a:b\"\npassword: env:PW":                                    "user: holds a colon",
		"url: https://lab.example/w\nbearer: env:T\nuser: a\npassword: env:PW":                           "bearer: is given beside user and password",
		"url: https://lab.example/w\nbearer: hunter2":                                                    "bearer: ",
		"url: https://lab.example/w\ncertificate: /a.pem":                                                "certificate: certificate and key go together",
		"url: https://lab.example/w\nca: a.pem":                                                          `ca: "a.pem" is not absolute`,
		"url: https://lab.example/w\nstatuses: {999: again}":                                             "statuses.999: ",
		"url: https://lab.example/w\nstatuses: {ok: again}":                                              `statuses.ok: "ok" is no status`,
		"url: https://lab.example/w\nstatuses: {409: fine}":                                              "statuses.409: ",
		"url: https://lab.example/w\nstatuses: {503: accepted}":                                          "statuses.503: 503 says that the server has not taken the entry",
		"url: https://lab.example/w\nanswer_id: {header: a, pointer: /a}":                                "answer_id: names a header and a place",
		"url: https://lab.example/w\nanswer_id: {header: \"a b\"}":                                       "answer_id.header: ",
		"url: https://lab.example/w\nanswer_id: {pointer: id}":                                           "answer_id.pointer: ",
		"url: https://lab.example/w\nproxy: ftp://p.example":                                             "proxy: is no proxy",
		"url: https://lab.example/w\nproxy: http://u:pw@p.example":                                       "proxy: holds a user name or a password",
		"url: https://lab.example/w\nproxy: http://p.example/x":                                          "proxy: has more than host and port",
		"url: https://lab.example/w\nproxy_user: a":                                                      "proxy_user: proxy_user and proxy_password go together",
		"url: https://lab.example/w\nproxy_user: a\nproxy_password: env:P":                               "proxy_user: is given without an address",
		"url: https://lab.example/w\nproxy: http://p.example:3128\nproxy_user: a\nproxy_password: env:P": "proxy: the password would go to p.example:3128 without encryption",
		"url: https://lab.example/w\noauth: {client: a, secret: env:S}":                                  "oauth.token_url: the address for tokens is missing",
		"url: https://lab.example/w\noauth: {token_url: \"http://as.example/t\", client: a, secret: env:S}\ninsecure: true":     "oauth.token_url: the secret would go to as.example without encryption",
		"url: https://lab.example/w\noauth: {token_url: \"https://as.example/t\", secret: env:S}":                               "oauth.client: ",
		"url: https://lab.example/w\noauth: {token_url: \"https://as.example/t\", client: a}":                                   "oauth.secret: ",
		"url: https://lab.example/w\noauth: {token_url: \"https://as.example/t\", client: a, secret: env:S, scopes: [\"a b\"]}": "oauth.scopes[0]: ",
		"url: https://lab.example/w\noauth: {token_url: \"https://as.example/t\", client: a, secret: env:S}\nbearer: env:T":     "oauth: is given beside bearer",
		"url: https://lab.example/w\nbody: lines\nformat: csv":                                                                  "body: lines is JSON of its own",
		"url: https://lab.example/w\nformat: xml":                                                                               "format: ",
		"url: http://localhost/w\nca: /a.pem":                                                                                   "url: has no TLS, but ca or certificate is given",
	} {
		c := Default()
		doc, faults := strict.Load("sink.yaml", []byte(text), c)
		report := doc.Report()
		c.Check(report)
		all := append(faults, report.Faults()...)
		if len(all) != 1 || !strings.Contains(all.Error(), ": "+want) || strings.Contains(all.Error(), "pw@") || strings.Contains(all.Error(), "hunter2") {
			t.Errorf("%q:\n got  %v\n want %s", text, all, want)
		}
	}
	for _, text := range []string{
		"url: http://localhost:8080/w", "url: http://127.0.0.1/w", "url: \"http://[::1]/w\"", "url: http://lab.example/w\ninsecure: true",
		"url: https://lab.example/w\nbody: batch\nformat: csv\nstatuses: {409: accepted, \"422\": refused, 404: stop}\nanswer_id: {header: Location}\nsign: file:/etc/weighpost/signing",
		"url: https://lab.example/w\noauth: {token_url: \"http://localhost/t\", client: a, secret: env:S, scopes: [\"a:b\"]}\nproxy: socks5://127.0.0.1:1080\nproxy_user: a\nproxy_password: env:P",
		"url: https://lab.example/w\nproxy: none",
		"url: \"https://lab.example/w/{id}\"\nmethod: PUT\nbearer: env:T\nca: /etc/ssl/lab.pem",
	} {
		c := Default()
		doc, faults := strict.Load("sink.yaml", []byte(text), c)
		report := doc.Report()
		c.Check(report)
		if all := append(faults, report.Faults()...); len(all) > 0 {
			t.Errorf("%q: %v", text, all)
		}
	}
}

func must(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return b
}
