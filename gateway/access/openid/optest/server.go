// Package optest is a small OpenID provider for tests: the protocol is that of a library of others, people and their sign-in page
// are ours. It remembers who signed in, as providers do, so that it answers at once until somebody has to show anew who they are.
package optest

import (
	"crypto/sha256"
	"encoding/pem"
	"fmt"
	"html"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/zitadel/oidc/v3/pkg/op"
)

// Person is somebody who can sign in.
type Person struct {
	Secret, Subject, Login, Name, Email string
	Groups                              []string
}

// Options say how the provider is.
type Options struct {
	TLS       bool
	Client    string // its id
	Secret    string // "": a public client
	Redirects []string
	InIDToken bool // claims about the person stand in the ID token too
	Lazy      bool // it does not have people sign in anew where that is asked for
	People    map[string]Person
}

// Server is the provider.
type Server struct {
	*httptest.Server
	CA string // file, where it has TLS

	options Options
	storage *storage
	down    atomic.Bool
}

const remembered = "provider-session"

// Start starts a provider on loopback that ends with the test.
func Start(t testing.TB, o Options) *Server {
	t.Helper()
	s := &Server{options: o, Server: httptest.NewUnstartedServer(nil)}
	scheme := "http://"
	if o.TLS {
		scheme = "https://"
	}
	issuer := scheme + s.Listener.Addr().String()
	s.storage = newStorage(t, s)
	var options []op.Option
	if !o.TLS {
		options = append(options, op.WithAllowInsecure())
	}
	provider, err := op.NewProvider(&op.Config{CryptoKey: sha256.Sum256([]byte(issuer)), CryptoKeyId: "k", CodeMethodS256: true, AuthMethodPost: true}, s.storage, op.StaticIssuer(issuer), options...)
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/login", s.login)
	mux.Handle("/", provider)
	s.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if s.down.Load() {
			panic(http.ErrAbortHandler)
		}
		mux.ServeHTTP(w, r)
	})
	s.Config.ErrorLog = slog.NewLogLogger(slog.DiscardHandler, slog.LevelError)
	if !o.TLS {
		s.Server.Start()
	} else {
		s.StartTLS()
		s.CA = filepath.Join(t.TempDir(), "ca.pem")
		if err := os.WriteFile(s.CA, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(s.Close)
	return s
}

// Allow lets browsers be sent back to an address too.
func (s *Server) Allow(redirect string) {
	s.storage.mu.Lock()
	defer s.storage.mu.Unlock()
	s.options.Redirects = append(s.options.Redirects, redirect)
}

// Down has the provider break off every connection, as one that is not there, or answer again.
func (s *Server) Down(down bool) { s.down.Store(down) }

// Rotate has the provider sign with another key; withdrawn: the one before is not among its keys any more.
func (s *Server) Rotate(t testing.TB, withdrawn bool) { s.storage.rotate(t, withdrawn) }

// login is the provider's own page. Whoever it remembers is not asked, unless they have to show anew who they are.
func (s *Server) login(w http.ResponseWriter, r *http.Request) {
	request := s.storage.request(r.FormValue("id"))
	if request == nil {
		http.Error(w, "no such request", http.StatusBadRequest)
		return
	}
	back := "/authorize/callback?id=" + url.QueryEscape(request.id)
	if c, err := r.Cookie(remembered); err == nil && (!request.anew() || s.options.Lazy) {
		if login, at, ok := s.storage.session(c.Value); ok {
			s.storage.done(request, s.options.People[login].Subject, at)
			http.Redirect(w, r, back, http.StatusFound)
			return
		}
	}
	if r.Method == http.MethodPost {
		login := r.PostFormValue("login")
		if p, there := s.options.People[login]; there && p.Secret == r.PostFormValue("secret") {
			now := time.Now()
			s.storage.done(request, p.Subject, now)
			http.SetCookie(w, &http.Cookie{Name: remembered, Value: s.storage.remember(login, now), Path: "/", HttpOnly: true})
			http.Redirect(w, r, back, http.StatusFound)
			return
		}
		w.WriteHeader(http.StatusUnauthorized)
	}
	fmt.Fprintf(w, `<!doctype html><title>Provider</title><form method="post" action="/login"><input type="hidden" name="id" value="%s">`+
		`<input name="login" autocomplete="username"><input name="secret" type="password"><button>Sign in</button></form>`, html.EscapeString(request.id))
}

// Forget has everybody sign in anew some time ago; the provider goes on remembering that.
func (s *Server) Forget(ago time.Duration) { s.storage.backdate(ago) }

// Browser is a client with cookies that takes every certificate and stops at each redirect.
func Browser(t testing.TB) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.TLSClientConfig.InsecureSkipVerify = true // a person looks at the page, and this is a test's
	transport.DisableKeepAlives = true
	return &http.Client{Jar: jar, Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

// SignIn goes where a page sends a browser, signs in at the provider where that asks, and gives where it sends the browser back to.
func (s *Server) SignIn(t testing.TB, browser *http.Client, to, login, secret string) string {
	t.Helper()
	for range 10 {
		resp, err := browser.Get(to)
		if err != nil {
			t.Fatal(err)
		}
		body, _ := io.ReadAll(io.LimitReader(resp.Body, 1<<20))
		resp.Body.Close()
		if resp.StatusCode == http.StatusOK && resp.Request.URL.Path == "/login" {
			if resp, err = browser.PostForm(s.URL+"/login", url.Values{"id": {resp.Request.URL.Query().Get("id")}, "login": {login}, "secret": {secret}}); err != nil {
				t.Fatal(err)
			}
			body, _ = io.ReadAll(io.LimitReader(resp.Body, 1<<20))
			resp.Body.Close()
		}
		next, err := resp.Location()
		if err != nil {
			t.Fatalf("the provider answered %s %q at %s", resp.Status, body, resp.Request.URL.Path)
		}
		if to = next.String(); !strings.HasPrefix(to, s.URL+"/") {
			return to
		}
	}
	t.Fatal("the provider sends the browser round and round")
	return ""
}
