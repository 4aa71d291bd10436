// Package tsatest builds a time-stamping authority out of OpenSSL for a test: a root, a certificate for time-stamping below it,
// and an HTTP server in front of `openssl ts -reply`. Everything is in a folder of the test and on loopback.
package tsatest

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"

	"weighpost/gateway/needs"
)

// Authority is one that answers.
type Authority struct {
	Dir string
	CA  string // PEM file of the root
	URL string

	// Answer, where set, is what is sent instead of OpenSSL's reply to a query. It may call Reply.
	Answer func(query []byte) []byte
	// Before, where set, sees each request first, and says whether it has answered it.
	Before func(w http.ResponseWriter, r *http.Request) bool

	Signer string   // name of the certificate that signs: see Certify
	Key    []string // what kind of key Certify makes, as arguments of `openssl req -newkey`

	t     testing.TB
	mu    sync.Mutex
	asked int
}

// Usages of certificates, as OpenSSL writes them.
const (
	ForTimeStamping = "critical,timeStamping"
	ForServers      = "critical,serverAuth"
)

// Policy is what a token says of itself unless another one is asked for; Other is the only other one that can be.
const (
	Policy = "1.2.3.4.1"
	Other  = "1.2.3.4.5.6"
)

const settings = `[tsa]
default_tsa = tsa1
[tsa1]
serial = %[1]s/serial
crypto_device = builtin
signer_digest = sha256
default_policy = 1.2.3.4.1
other_policies = 1.2.3.4.5.6
digests = sha256, sha384, sha512
accuracy = secs:1, millisecs:500, microsecs:100
ordering = no
tsa_name = yes
ess_cert_id_chain = no
ess_cert_id_alg = sha256
`

// Start makes an authority and serves it until the test ends. It skips the test where there is no OpenSSL.
func Start(t testing.TB) *Authority {
	t.Helper()
	needs.Programs(t, "openssl")
	a := &Authority{Dir: t.TempDir(), t: t, Signer: "tsa", Key: []string{"ec", "-pkeyopt", "ec_paramgen_curve:P-256"}}
	a.CA = a.file("root.pem")
	a.Write("ts.cnf", fmt.Appendf(nil, settings, a.Dir))
	a.Write("serial", []byte("0A01\n"))
	a.Run("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-keyout", "root.key", "-out", "root.pem",
		"-days", "3650", "-subj", "/O=Seed bank time/CN=Seed bank time root")
	a.Certify("tsa", ForTimeStamping)
	server := httptest.NewServer(http.HandlerFunc(a.serve))
	t.Cleanup(server.Close)
	a.URL = server.URL + "/tsa"
	return a
}

// Certify makes a key and a certificate of a name below the root. more are further arguments of `openssl x509 -req`.
func (a *Authority) Certify(name, usage string, more ...string) {
	a.t.Helper()
	extensions := "basicConstraints = CA:FALSE\nkeyUsage = critical,digitalSignature\n"
	if usage != "" {
		extensions += "extendedKeyUsage = " + usage + "\n"
	}
	a.Write(name+".ext", []byte(extensions))
	a.Run(append(append([]string{"req", "-newkey"}, a.Key...), "-nodes", "-keyout", name+".key", "-out", name+".csr", "-subj", "/O=Seed bank time/CN=Seed bank "+name)...)
	args := []string{"x509", "-req", "-in", name + ".csr", "-CA", "root.pem", "-CAkey", "root.key", "-CAcreateserial", "-extfile", name + ".ext", "-out", name + ".pem"}
	if more == nil {
		more = []string{"-days", "365"}
	}
	a.Run(append(args, more...)...)
}

// Reply is OpenSSL's answer to a query.
func (a *Authority) Reply(query []byte) []byte {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.Write("query.tsq", query)
	a.Run("ts", "-reply", "-config", "ts.cnf", "-queryfile", "query.tsq", "-signer", a.Signer+".pem", "-inkey", a.Signer+".key", "-out", "reply.tsr")
	return a.Read("reply.tsr")
}

// Asked is how often it was asked.
func (a *Authority) Asked() int {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.asked
}

func (a *Authority) serve(w http.ResponseWriter, r *http.Request) {
	a.mu.Lock()
	a.asked++
	before, answer := a.Before, a.Answer
	a.mu.Unlock()
	if before != nil && before(w, r) {
		return
	}
	if r.Method != http.MethodPost || r.Header.Get("Content-Type") != "application/timestamp-query" {
		http.Error(w, "send a query", http.StatusUnsupportedMediaType)
		return
	}
	query, err := io.ReadAll(io.LimitReader(r.Body, 1<<16))
	if err != nil {
		return
	}
	if answer == nil {
		answer = a.Reply
	}
	w.Header().Set("Content-Type", "application/timestamp-reply")
	_, _ = w.Write(answer(query))
}

// Change sets Answer and Before while it is served.
func (a *Authority) Change(f func(a *Authority)) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f(a)
}

// Run runs openssl in the folder, and fails the test with what it printed where it fails.
func (a *Authority) Run(args ...string) string {
	a.t.Helper()
	out, err := a.Try(args...)
	if err != nil {
		a.t.Errorf("openssl %v: %v\n%s", args, err, out)
	}
	return out
}

// Try runs openssl in the folder.
func (a *Authority) Try(args ...string) (string, error) {
	cmd := exec.CommandContext(a.t.Context(), "openssl", args...)
	cmd.Dir = a.Dir
	out, err := cmd.CombinedOutput()
	return string(out), err
}

// Write makes a file in the folder.
func (a *Authority) Write(name string, content []byte) {
	a.t.Helper()
	if err := os.WriteFile(a.file(name), content, 0o600); err != nil {
		a.t.Error(err)
	}
}

// Read reads a file in the folder.
func (a *Authority) Read(name string) []byte {
	a.t.Helper()
	b, err := os.ReadFile(a.file(name))
	if err != nil {
		a.t.Error(err)
	}
	return b
}

func (a *Authority) file(name string) string { return filepath.Join(a.Dir, name) }
