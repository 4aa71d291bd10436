package console

import (
	"bufio"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"weighpost/gateway/certificate"
	"weighpost/gateway/health"
	"weighpost/gateway/live"
	machine "weighpost/gateway/needs"
)

// secureHouse is a running console with a certificate that was made for it.
type secureHouse struct {
	port, folder string
	client       *http.Client
	keeper       *certificate.Keeper
}

// openSecure listens on an address of loopback, with names that lead nowhere.
func openSecure(t *testing.T, listen string, given bool, names ...string) *secureHouse {
	t.Helper()
	h := &secureHouse{folder: t.TempDir()}
	page := Config{Listen: listen, Names: names, TLS: certificate.Config{SelfMade: true}}
	options := certificate.Options{Config: page.TLS, Names: page.Hosts(), Folder: h.folder}
	h.keeper = certificate.New(options)
	if err := h.keeper.Take(); err != nil {
		t.Fatal(err)
	}
	if given { // the same files, as if somebody had given them
		options.Config = certificate.Config{Certificate: h.folder + "/page-certificate.pem", Key: h.folder + "/page-key.pem"}
		page.TLS = options.Config
		h.keeper = certificate.New(options)
		if err := h.keeper.Take(); err != nil {
			t.Fatal(err)
		}
	}
	b := newBench()
	s := New(Deps{Site: "north-lab", Version: "test", Source: lab{}, Conditions: health.New(time.Now), Contexts: b, Reader: b, Commander: b, Corrector: b, Keys: b,
		Sealer: b, Exports: newPress(), Entries: b, Backups: b, Token: NewToken(testToken), Live: &live.Hub{}, Log: slog.New(slog.DiscardHandler),
		Page: page, Certificate: h.keeper, Screens: onePage})
	l, err := Listen(t.Context(), page)
	if err != nil {
		t.Fatal(err)
	}
	_, h.port, _ = net.SplitHostPort(l.Addr().String())
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Serve(ctx, l) }()
	leaf, err := certificate.Shown(h.folder, page.TLS)
	if err != nil {
		t.Fatal(err)
	}
	h.client = &http.Client{Transport: &http.Transport{TLSClientConfig: certificate.Pin(leaf)}}
	t.Cleanup(func() {
		h.client.CloseIdleConnections()
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return h
}

// get asks for a path at an address, in the name of a host.
func (h *secureHouse) get(t *testing.T, address, path, host, origin string) *http.Response {
	t.Helper()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, "https://"+net.JoinHostPort(address, h.port)+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if req.Host = host; origin != "" {
		req.Header.Set("Origin", origin)
	}
	resp, err := h.client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	_, _ = io.Copy(io.Discard, resp.Body)
	return resp
}

// TestWhichNamesAPageWithTLSAnswersTo includes a name that its owner had lead to this computer (DNS rebinding).
func TestWhichNamesAPageWithTLSAnswersTo(t *testing.T) {
	h := openSecure(t, "0.0.0.0:0", false, "page.lab.example", "front.lab.example:443", "192.0.2.7")
	for _, c := range []struct {
		host, origin string
		want         int
	}{
		{"127.0.0.1:PORT", "", 200}, {"localhost:PORT", "", 200},
		{"page.lab.example:PORT", "", 200}, {"PAGE.lab.example:PORT", "", 200}, {"192.0.2.7:PORT", "", 200},
		{"front.lab.example", "", 200}, {"front.lab.example:443", "", 200}, // forwarded to us
		{"page.lab.example", "", 403}, {"page.lab.example:1", "", 403}, {"192.0.2.8:PORT", "", 403},
		{"rebound.example:PORT", "", 403}, {"page.lab.example.rebound.example:PORT", "", 403}, {"rebound.example", "", 403},
		{"page.lab.example.:PORT", "", 200}, // the same name, written as absolute
		{"page.lab.example:PORT", "https://page.lab.example:PORT", 200}, {"front.lab.example", "https://front.lab.example", 200},
		{"page.lab.example:PORT", "http://page.lab.example:PORT", 403}, {"page.lab.example:PORT", "https://192.0.2.7:PORT", 403},
		{"page.lab.example:PORT", "https://rebound.example:PORT", 403}, {"page.lab.example:PORT", "null", 403},
	} {
		fill := strings.NewReplacer("PORT", h.port)
		if got := h.get(t, "127.0.0.1", "/healthz", fill.Replace(c.host), fill.Replace(c.origin)); got.StatusCode != c.want {
			t.Errorf("Host %s, Origin %q: %d, want %d", c.host, c.origin, got.StatusCode, c.want)
		}
	}
}

// TestLoopbackNamesAreForLoopback asks the rule itself: a test sends nothing beyond loopback.
func TestLoopbackNamesAreForLoopback(t *testing.T) {
	lab := func(address string) place {
		r, _ := http.NewRequest(http.MethodGet, "/", nil)
		r.TLS = &tls.ConnectionState{}
		a := net.TCPAddrFromAddrPort(netip.MustParseAddrPort(address))
		r = r.WithContext(context.WithValue(r.Context(), http.LocalAddrContextKey, net.Addr(a)))
		return (&Server{deps: Deps{}}).place(r)
	}
	for _, c := range []struct {
		at, host string
		want     bool
	}{
		{"192.0.2.7:443", "192.0.2.7", true}, {"192.0.2.7:443", "192.0.2.7:443", true}, {"192.0.2.7:443", "localhost", false},
		{"192.0.2.7:443", "127.0.0.1", false}, {"192.0.2.7:443", "192.0.2.9", false}, {"192.0.2.7:443", "192.0.2.7:80", false},
		{"192.0.2.7:443", "", false}, {"192.0.2.7:443", "0.0.0.0", false}, {"192.0.2.7:443", "[::]", false},
		{"[2001:db8::7]:8467", "[2001:db8::7]:8467", true}, {"[2001:db8::7]:8467", "[2001:DB8:0::7]:8467", true}, {"[2001:db8::7]:443", "[2001:db8::7]", true},
		{"[2001:db8::7]:8467", "[::1]:8467", false}, {"[::1]:8467", "[::1]:8467", true}, {"[::ffff:192.0.2.7]:443", "192.0.2.7", true},
		{"[fe80::1%eth0]:8467", "[fe80::1]:8467", true}, {"[fe80::1%eth0]:8467", "[fe80::1%25eth0]:8467", false},
	} {
		if got := lab(c.at).ours(c.host); got != c.want {
			t.Errorf("at %s, Host %s: %t", c.at, c.host, got)
		}
	}
}

func TestAPageOnIPv6(t *testing.T) {
	l, err := net.Listen("tcp", "[::1]:0")
	if err != nil {
		machine.That(t, false, "a computer with IPv6")
	}
	l.Close()
	h := openSecure(t, "[::1]:0", false)
	if got := h.get(t, "::1", "/healthz", "[::1]:"+h.port, "https://[::1]:"+h.port); got.StatusCode != 200 {
		t.Errorf("%d", got.StatusCode)
	}
}

// TestBrowsersAreToldToStayWithTLS: RFC 6797, sections 7.2 (not over plain HTTP), 8.1.1 (no addresses) and 11.3 (not where the
// page vouches for itself).
func TestBrowsersAreToldToStayWithTLS(t *testing.T) {
	const header = "Strict-Transport-Security"
	given := openSecure(t, "127.0.0.1:0", true, "page.lab.example")
	for host, want := range map[string]string{"page.lab.example:": "max-age=31536000", "localhost:": "", "127.0.0.1:": ""} {
		if got := given.get(t, "127.0.0.1", "/", host+given.port, ""); got.StatusCode != 200 || got.Header.Get(header) != want {
			t.Errorf("%s: %q", host, got.Header.Get(header))
		}
	}
	if got := given.get(t, "127.0.0.1", "/", "rebound.example:"+given.port, "").Header.Get(header); got != "" {
		t.Errorf("a foreign name: %q", got)
	}
	made := openSecure(t, "127.0.0.1:0", false, "page.lab.example")
	if got := made.get(t, "127.0.0.1", "/", "page.lab.example:"+made.port, "").Header.Get(header); got != "" {
		t.Errorf("self-made: %q", got)
	}
	plain := open(t)
	if resp, _ := ask(t, "GET", plain.base+"/", nil); resp.Header.Get(header) != "" {
		t.Errorf("plain: %q", resp.Header.Get(header))
	}
}

func TestPlainHTTPOnThePortOfTLSIsToldWhereToGo(t *testing.T) {
	h := openSecure(t, "127.0.0.1:0", false, "page.lab.example")
	resp, err := http.Get("http://127.0.0.1:" + h.port + "/")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	b, _ := io.ReadAll(resp.Body)
	if want := "This page is reached with TLS only: open https://page.lab.example:" + h.port + "/\n"; resp.StatusCode != 400 || string(b) != want {
		t.Errorf("%d %q", resp.StatusCode, b)
	}
	c, err := net.Dial("tcp", "127.0.0.1:"+h.port)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprint(c, "SSH-2.0-x\r\n")
	_ = c.SetReadDeadline(time.Now().Add(10 * time.Second))
	if b, err := io.ReadAll(c); errors.Is(err, os.ErrDeadlineExceeded) || strings.Contains(string(b), "HTTP") {
		t.Errorf("what is no HTTP: %q %v", b, err)
	}
	if got := h.get(t, "127.0.0.1", "/healthz", "localhost:"+h.port, ""); got.StatusCode != 200 {
		t.Errorf("after that: %d", got.StatusCode)
	}
}

func TestOldTLSIsRefused(t *testing.T) {
	h := openSecure(t, "127.0.0.1:0", false)
	for version, want := range map[uint16]bool{tls.VersionTLS11: false, tls.VersionTLS12: true, tls.VersionTLS13: true} {
		cfg := h.client.Transport.(*http.Transport).TLSClientConfig.Clone()
		cfg.MinVersion, cfg.MaxVersion = version, version
		c, err := tls.Dial("tcp", "127.0.0.1:"+h.port, cfg)
		if err == nil {
			c.Close()
		}
		if (err == nil) != want {
			t.Errorf("%s: %v", tls.VersionName(version), err)
		}
	}
}

// TestSlowHandshakes holds connections at which nothing, half a handshake or one byte a second comes.
func TestSlowHandshakes(t *testing.T) {
	t.Parallel()
	h := openSecure(t, "127.0.0.1:0", false)
	began := time.Now()
	var conns []net.Conn
	for i := range 3 {
		c, err := net.Dial("tcp", "127.0.0.1:"+h.port)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if i > 0 { // a record of 512 bytes that never comes whole (RFC 8446, section 5.1)
			_, _ = c.Write([]byte{22, 3, 1, 2, 0, 1})
		}
		conns = append(conns, c)
	}
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Second):
				if _, err := conns[2].Write([]byte{0}); err != nil {
					return
				}
			}
		}
	}()
	for i, c := range conns {
		_ = c.SetReadDeadline(began.Add(headerTime + 10*time.Second))
		if _, err := bufio.NewReader(c).ReadByte(); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("connection %d was not ended: %v", i, err)
		}
	}
	if took := time.Since(began); took < headerTime/2 {
		t.Errorf("they ended after %s: too soon to show the limit", took)
	}
}

// TestCurlTakesThePage asks with another program, which holds the certificate to its names.
func TestCurlTakesThePage(t *testing.T) {
	machine.Programs(t, "curl")
	h := openSecure(t, "127.0.0.1:0", false, "page.lab.example")
	ask := func(more ...string) (string, error) {
		out, err := exec.Command("curl", append([]string{"-sS", "--noproxy", "*", "--resolve", "page.lab.example:" + h.port + ":127.0.0.1",
			"https://page.lab.example:" + h.port + "/healthz"}, more...)...).CombinedOutput()
		return string(out), err
	}
	facts, _ := h.keeper.Facts()
	measured, err := h.client.Get("https://127.0.0.1:" + h.port + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer measured.Body.Close()
	if b, _ := io.ReadAll(measured.Body); !strings.Contains(string(b), fmt.Sprintf("\nweighpost_certificate_until_timestamp_seconds %g\n", float64(facts.Until.Unix()))) {
		t.Errorf("not measured: %d %.200s", measured.StatusCode, b)
	}
	if out, err := ask("--cacert", certificate.ServedFile(h.folder)); err != nil || !strings.Contains(out, `"certificate":{"sha256":"`+facts.Fingerprint) || !strings.Contains(out, `"self_made":true`) {
		t.Errorf("%v: %s", err, out)
	}
	if out, err := ask(); err == nil {
		t.Errorf("taken without being told of it: %s", out)
	}
}
