package certificate

import (
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"log/slog"
	"math/big"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/health"
	"weighpost/gateway/needs"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// issued makes a certificate and its key as an authority of the test's would.
func issued(t *testing.T, from, until time.Time, names ...string) (certificate, key []byte) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	serial, _ := rand.Int(rand.Reader, big.NewInt(1<<62))
	c := &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: "page of the seed bank"}, NotBefore: from, NotAfter: until, DNSNames: names}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})
}

// given is a keeper of files of the test's.
type given struct {
	*Keeper
	dir   string
	board *health.Board
	log   record
}

// record is a log that is read while it is written.
type record struct {
	mu   sync.Mutex
	text strings.Builder
}

func (r *record) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.text.Write(b)
}

func (r *record) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.text.String()
}

func newGiven(t *testing.T) *given {
	g := &given{dir: t.TempDir(), board: health.New(time.Now)}
	g.Keeper = New(Options{Config: Config{Certificate: filepath.Join(g.dir, "page.pem"), Key: filepath.Join(g.dir, "page.key")},
		Names: []string{"page.lab.example"}, Folder: g.dir, Board: g.board, Log: slog.New(slog.NewTextHandler(&g.log, nil))})
	return g
}

func (g *given) put(t *testing.T, name string, text []byte) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(g.dir, name), text, 0o600); err != nil {
		t.Fatal(err)
	}
}

func (g *given) shows(t *testing.T, certificate []byte) bool {
	t.Helper()
	block, _ := pem.Decode(certificate)
	pair, err := g.Get(nil)
	return err == nil && bytes.Equal(pair.Leaf.Raw, block.Bytes)
}

func (g *given) told() string {
	var all []string
	for _, c := range g.board.List() {
		all = append(all, c.Code+" "+string(c.Severity)+": "+c.Sentence)
	}
	return strings.Join(all, "\n")
}

// TestAChangedPairIsTakenAndAHalfWrittenOneIsNot goes through the order in which a program renews a certificate: certificate
// first, key some time later.
func TestAChangedPairIsTakenAndAHalfWrittenOneIsNot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGiven(t)
		now := time.Now()
		first, firstKey := issued(t, now.Add(-time.Hour), now.Add(90*24*time.Hour), "page.lab.example")
		g.put(t, "page.pem", first)
		g.put(t, "page.key", firstKey)
		if err := g.Take(); err != nil || !g.shows(t, first) {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer synctest.Wait()
		defer cancel()
		go g.Run(ctx)
		looks := func(n int) { time.Sleep(time.Duration(n) * lookEvery); synctest.Wait() }
		looks(2)
		if g.told() != "" {
			t.Error(g.told())
		}

		second, secondKey := issued(t, now.Add(-time.Hour), now.Add(90*24*time.Hour), "page.lab.example")
		g.put(t, "page.pem", second[:len(second)/2]) // being written
		looks(3)
		if !g.shows(t, first) || !strings.Contains(g.told(), "certificate-refused warning: The certificate of the page cannot be used: the certificate's file ends in the middle of a block") {
			t.Errorf("half a certificate: %s", g.told())
		}
		g.put(t, "page.pem", second)
		looks(3)
		if !g.shows(t, first) || !strings.Contains(g.told(), "private key does not match public key") {
			t.Errorf("a certificate without its key: %s", g.told())
		}
		g.put(t, "page.key", secondKey)
		looks(3)
		if !g.shows(t, second) || g.told() != "" {
			t.Errorf("the new pair: %s", g.told())
		}
		if noted, err := First(ServedFile(g.dir)); err != nil || Fingerprint(noted.Raw) != FactsOf(noted).Fingerprint || !g.shows(t, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: noted.Raw})) {
			t.Errorf("what is noted for clients here is not what is shown: %v", err)
		}
		if n := strings.Count(g.log.String(), "was not taken"); n != 2 {
			t.Errorf("%d lines in the log for two reasons:\n%s", n, &g.log)
		}
		if err := os.Remove(filepath.Join(g.dir, "page.key")); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(ServedFile(g.dir)); err != nil {
			t.Fatal(err)
		}
		looks(2)
		if !g.shows(t, second) || !strings.Contains(g.told(), "page.key: no such file") {
			t.Errorf("a key that is gone: %s", g.told())
		}
		g.put(t, "page.key", secondKey)
		looks(2)
		if _, err := First(ServedFile(g.dir)); err != nil || g.told() != "" {
			t.Errorf("what clients here need was not written anew: %v %s", err, g.told())
		}
	})
}

func TestTheEndOfACertificateIsSaidAhead(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := newGiven(t)
		now := time.Now()
		old, oldKey := issued(t, now.Add(-time.Minute), now.Add(60*time.Minute), "page.lab.example")
		g.put(t, "page.pem", old)
		g.put(t, "page.key", oldKey)
		if err := g.Take(); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer synctest.Wait()
		defer cancel()
		go g.Run(ctx)
		minute := func(n int) { time.Sleep(time.Until(now.Add(time.Duration(n) * time.Minute))); synctest.Wait() }
		minute(1)
		if g.told() != "" {
			t.Error(g.told())
		}
		minute(41) // 20 minutes, a third of its life, are not left any more
		if !strings.HasPrefix(g.told(), "certificate-ends warning: The certificate of the page runs out on ") {
			t.Errorf("soon: %q", g.told())
		}
		over, overKey := issued(t, now, now.Add(20*time.Minute), "page.lab.example")
		g.put(t, "page.pem", over)
		g.put(t, "page.key", overKey)
		minute(42)
		if !g.shows(t, old) || !strings.Contains(g.told(), "certificate-refused warning: The certificate of the page cannot be used: the certificate ran out on") {
			t.Errorf("one that is over in place of a good one: %q", g.told())
		}
		minute(61)
		if !strings.Contains(g.told(), "certificate-ends error: The certificate of the page ran out on") {
			t.Errorf("over: %q", g.told())
		}
		other, otherKey := issued(t, now, now.Add(600*time.Minute), "elsewhere.lab.example")
		g.put(t, "page.pem", other)
		g.put(t, "page.key", otherKey)
		minute(62)
		if !g.shows(t, other) || g.told() != "certificate-names warning: The certificate of the page does not stand for page.lab.example, so that browsers refuse the page under that name." {
			t.Errorf("another name: %q", g.told())
		}
	})
}

func TestKeysThatEverybodyMayReadAndOtherFilesAreRefused(t *testing.T) {
	good, goodKey := issued(t, time.Now().Add(-time.Hour), time.Now().Add(time.Hour), "page.lab.example")
	client := func() ([]byte, []byte) {
		k, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		c := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour), ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}}
		der, _ := x509.CreateCertificate(rand.Reader, c, c, &k.PublicKey, k)
		private, _ := x509.MarshalPKCS8PrivateKey(k)
		return pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: private})
	}
	for name, c := range map[string]struct {
		make func(g *given)
		want string
	}{
		"none": {func(*given) {}, "no such file"},
		"open": {func(g *given) {
			g.put(t, "page.pem", good)
			g.put(t, "page.key", goodKey)
			_ = os.Chmod(filepath.Join(g.dir, "page.key"), 0o644)
		}, "may be read or changed by everybody"},
		"folder": {func(g *given) { _ = os.Mkdir(filepath.Join(g.dir, "page.pem"), 0o700) }, "is no file"},
		"huge":   {func(g *given) { g.put(t, "page.pem", make([]byte, fileLimit+1)) }, "larger than 256 KiB"},
		"text":   {func(g *given) { g.put(t, "page.pem", []byte("hello")); g.put(t, "page.key", goodKey) }, "failed to find any PEM data"},
		"client": {func(g *given) { c, k := client(); g.put(t, "page.pem", c); g.put(t, "page.key", k) }, "is not for a server"},
	} {
		if name == "open" && runtime.GOOS == "windows" {
			continue
		}
		g := newGiven(t)
		c.make(g)
		if err := g.Take(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", name, err, c.want)
		}
		if _, err := g.Get(nil); err == nil {
			t.Errorf("%s: there is something to show", name)
		}
	}
}

func newMade(dir string, names []string, now func() time.Time) *Keeper {
	return New(Options{Config: Config{SelfMade: true}, Names: names, Folder: dir, Board: health.New(time.Now), Now: now})
}

// TestASelfMadeCertificateIsRenewedAheadAndKeptOtherwise: 398 days is the limit of the CA/Browser Forum's Baseline Requirements
// (ballot SC31, section 6.3.2), which some clients hold every certificate to.
func TestASelfMadeCertificateIsRenewedAheadAndKeptOtherwise(t *testing.T) {
	dir, at := t.TempDir(), time.Date(2026, 11, 29, 12, 0, 0, 0, time.UTC)
	clock := func() time.Time { return at }
	k := newMade(dir, []string{"page.lab.example", "192.0.2.7"}, clock)
	if err := k.Take(); err != nil {
		t.Fatal(err)
	}
	first, _ := k.Facts()
	pair, _ := k.Get(nil)
	if key, ok := pair.PrivateKey.(*ecdsa.PrivateKey); !ok || key.Curve != elliptic.P256() {
		t.Errorf("the key is %T", pair.PrivateKey)
	}
	if life := pair.Leaf.NotAfter.Sub(pair.Leaf.NotBefore); life > 398*24*time.Hour || pair.Leaf.IsCA {
		t.Errorf("valid for %s, authority: %t", life, pair.Leaf.IsCA)
	}
	for _, name := range []string{"page.lab.example", "192.0.2.7", "localhost", "127.0.0.1", "::1"} {
		if !k.Covers(name) {
			t.Errorf("it does not stand for %s, only for %v", name, first.Names)
		}
	}
	if info, err := os.Stat(filepath.Join(dir, keyName)); err != nil || runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("the key: %v, %v", info, err)
	}
	same := func(k *Keeper, want bool, what string) {
		t.Helper()
		if err := k.Take(); err != nil {
			t.Fatal(err)
		}
		if f, _ := k.Facts(); (f.Fingerprint == first.Fingerprint) != want {
			t.Errorf("%s: the same is %t", what, !want)
		}
	}
	same(k, true, "another look")
	same(newMade(dir, []string{"page.lab.example"}, clock), true, "after a restart, with a name less")
	at = at.Add(300 * 24 * time.Hour)
	same(k, true, "after 300 days")
	at = at.Add(70 * 24 * time.Hour)
	same(k, false, "after 370 days")
	first, _ = k.Facts()
	same(newMade(dir, []string{"new.lab.example"}, clock), false, "with another name")
	k = newMade(dir, []string{"new.lab.example"}, clock)
	if err := k.Take(); err != nil {
		t.Fatal(err)
	}
	first, _ = k.Facts()
	at = at.AddDate(-3, 0, 0)
	same(k, false, "when the computer's date went back, and it is not valid yet")
}

// TestOpenSSLTakesTheSelfMadeCertificate asks another program about it: openssl verify and x509.
func TestOpenSSLTakesTheSelfMadeCertificate(t *testing.T) {
	needs.Programs(t, "openssl")
	dir := t.TempDir()
	k := newMade(dir, []string{"page.lab.example"}, nil)
	if err := k.Take(); err != nil {
		t.Fatal(err)
	}
	out, err := exec.Command("openssl", "verify", "-x509_strict", "-purpose", "sslserver", "-verify_hostname", "page.lab.example", "-CAfile", ServedFile(dir), ServedFile(dir)).CombinedOutput()
	if err != nil {
		t.Errorf("%v: %s", err, out)
	}
	f, _ := k.Facts()
	out, err = exec.Command("openssl", "x509", "-noout", "-fingerprint", "-sha256", "-in", ServedFile(dir)).CombinedOutput()
	if err != nil || !strings.HasSuffix(strings.TrimSpace(string(out)), "="+f.Fingerprint) {
		t.Errorf("openssl says %s, we %s (%v)", out, f.Fingerprint, err)
	}
}

func TestAPinHoldsToOneCertificate(t *testing.T) {
	dir := t.TempDir()
	k := newMade(dir, nil, nil)
	if _, err := Shown(dir, Config{SelfMade: true}); err == nil || !strings.Contains(err.Error(), "start weighpost") {
		t.Errorf("before it was made: %v", err)
	}
	if err := k.Take(); err != nil {
		t.Fatal(err)
	}
	leaf, err := Shown(dir, Config{SelfMade: true})
	if err != nil {
		t.Fatal(err)
	}
	l, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{GetCertificate: k.Get})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			_ = c.(*tls.Conn).Handshake()
			c.Close()
		}
	}()
	defer func() { l.Close(); <-done }()
	if c, err := tls.Dial("tcp", l.Addr().String(), Pin(leaf)); err != nil {
		t.Error(err)
	} else {
		c.Close()
	}
	other := newMade(t.TempDir(), nil, nil)
	if err := other.Take(); err != nil {
		t.Fatal(err)
	}
	pair, _ := other.Get(nil)
	if c, err := tls.Dial("tcp", l.Addr().String(), Pin(pair.Leaf)); err == nil || !strings.Contains(err.Error(), "another certificate") {
		c.Close()
		t.Errorf("another certificate is taken: %v", err)
	}
}

func TestNames(t *testing.T) {
	for _, good := range []string{"localhost", "page.lab.example", "xn--waage-kva.example", "192.0.2.7", "2001:db8::7", "b-12"} {
		if err := CheckName(good); err != nil {
			t.Errorf("%s %v", good, err)
		}
	}
	for _, bad := range []string{"", ".", "a..b", "-a.example", "a_b", "Page.example", "waäge", "300.1.2.3", "1.2.3", "fe80::1%eth0", "0.0.0.0", "::", "*.example",
		strings.Repeat("a.", 130) + "example", "a b", "a/b", "https://a"} {
		if err := CheckName(bad); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
	if around := Around(); !slices.ContainsFunc(around, func(string) bool { return true }) {
		t.Log("this computer has no name and no address")
	} else {
		for _, n := range around {
			if CheckName(n) != nil {
				t.Errorf("around: %s", n)
			}
		}
	}
}
