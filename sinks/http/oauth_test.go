package http

import (
	"context"
	"crypto/sha256"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/zitadel/oidc/v3/pkg/oidc"
	"github.com/zitadel/oidc/v3/pkg/op"

	"weighpost/sinks/sinktest"
)

// authority is an authorization server whose protocol is that of a library of others (zitadel/oidc): who may have a token, and which
// tokens are good, is ours.
type authority struct {
	op.Storage // what the client credentials grant does not touch
	op.Client
	*httptest.Server
	ca       string
	provider *op.Provider

	mu      sync.Mutex
	secret  string
	life    time.Duration
	asked   []string // what was asked for: scopes
	tokens  map[string]time.Time
	given   int
	deaf    bool                           // no token is good
	answers func(http.ResponseWriter) bool // answers instead of the library; false: does not
}

func newAuthority(t *testing.T) *authority {
	t.Helper()
	a := &authority{secret: "let me in: +/&=", life: time.Hour, tokens: map[string]time.Time{}, Server: httptest.NewUnstartedServer(nil)}
	issuer := "https://" + a.Listener.Addr().String()
	var err error
	if a.provider, err = op.NewProvider(&op.Config{CryptoKey: sha256.Sum256([]byte("test")), CryptoKeyId: "k", AuthMethodPost: true}, a, op.StaticIssuer(issuer),
		op.WithLogger(slog.New(slog.DiscardHandler))); err != nil {
		t.Fatal(err)
	}
	a.Config.Handler = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a.mu.Lock()
		instead := a.answers
		a.mu.Unlock()
		if instead == nil || !instead(w) {
			a.provider.ServeHTTP(w, r)
		}
	})
	a.Config.ErrorLog = log.New(discard{}, "", 0)
	a.StartTLS()
	t.Cleanup(a.Close)
	a.ca = writePEM(t, "CERTIFICATE", a.Certificate().Raw)
	return a
}

func (a *authority) set(f func()) {
	a.mu.Lock()
	defer a.mu.Unlock()
	f()
}

func (a *authority) ClientCredentials(_ context.Context, id, secret string) (op.Client, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if id != "weighpost" || secret != a.secret {
		return nil, errors.New("nobody of that name with that secret")
	}
	return a, nil
}

func (a *authority) ClientCredentialsTokenRequest(_ context.Context, id string, scopes []string) (op.TokenRequest, error) {
	a.set(func() { a.asked = append(a.asked, strings.Join(scopes, " ")) })
	return &oidc.JWTTokenRequest{Subject: id, Scopes: scopes}, nil
}

func (a *authority) CreateAccessToken(context.Context, op.TokenRequest) (string, time.Time, error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.given++
	id, until := strconv.Itoa(a.given), time.Now().Add(a.life)
	a.tokens[id] = until
	return id, until, nil
}

func (a *authority) GetID() string { return "weighpost" }
func (a *authority) GrantTypes() []oidc.GrantType {
	return []oidc.GrantType{oidc.GrantTypeClientCredentials}
}
func (a *authority) AccessTokenType() op.AccessTokenType { return op.AccessTokenTypeBearer }
func (a *authority) ClockSkew() time.Duration            { return 0 }
func (a *authority) Health(context.Context) error        { return nil }
func (a *authority) good(authorization string) bool {
	token, bearer := strings.CutPrefix(authorization, "Bearer ")
	plain, err := a.provider.Crypto().Decrypt(token)
	if err != nil || !bearer {
		return false
	}
	id, _, _ := strings.Cut(plain, ":")
	a.mu.Lock()
	defer a.mu.Unlock()
	return !a.deaf && time.Now().Before(a.tokens[id])
}

// guarded is a receiver behind the authority, over TLS.
func guarded(t *testing.T, a *authority, change ...func(*Config)) (*Sink, *int) {
	t.Helper()
	taken, mu := new(int), sync.Mutex{}
	far := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		if !a.good(r.Header.Get("Authorization")) {
			w.Header().Set("WWW-Authenticate", `Bearer error="invalid_token"`) // RFC 6750 section 3
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		mu.Lock()
		defer mu.Unlock()
		*taken++
	}))
	t.Cleanup(far.Close)
	t.Setenv("WEIGHPOST_TEST_OAUTH", a.secret)
	c := *Default()
	c.URL, c.CA = far.URL, a.ca
	c.OAuth = OAuth{TokenURL: a.URL + "/oauth/token", Client: "weighpost", Secret: secret(t, "env:WEIGHPOST_TEST_OAUTH"), Scopes: []string{"weighings:write", "x"}}
	for _, f := range change {
		f(&c)
	}
	appendPEM(t, c.CA, far.Certificate().Raw)
	return openSink(t, c), taken
}

func appendPEM(t *testing.T, file string, der []byte) {
	t.Helper()
	both := append(must(t, file), pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})...)
	write(t, file, string(both))
}

func TestATokenIsAskedForOnceAndRenewedOnce(t *testing.T) {
	for name, inBody := range map[string]bool{"by basic authentication": false, "in the body": true} {
		t.Run(name, func(t *testing.T) {
			a := newAuthority(t)
			s, taken := guarded(t, a, func(c *Config) { c.OAuth.InBody = inBody })
			send := func(n int) {
				t.Helper()
				before := *taken
				if got, err := s.Deliver(t.Context(), sinktest.Weighings(n, 1)); got != n || err != nil || *taken != before+n {
					t.Fatalf("accepted %d, arrived %d: %v", got, *taken-before, err)
				}
			}
			send(3)
			if a.given != 1 || a.asked[0] != "weighings:write x" {
				t.Errorf("%d tokens, asked for %q", a.given, a.asked)
			}
			a.set(func() { clear(a.tokens) }) // withdrawn before its time
			send(2)
			if a.given != 2 {
				t.Errorf("%d tokens after one was withdrawn", a.given)
			}
			a.set(func() { a.life = 5 * time.Second; clear(a.tokens) }) // shorter than what a held token must have left
			send(1)
			send(1)
			if a.given != 4 {
				t.Errorf("%d tokens after one that was about to end", a.given)
			}
		})
	}
}

// TestATokenThatIsNeverTakenStopsTheSink: one renewal, and no more.
func TestATokenThatIsNeverTakenStopsTheSink(t *testing.T) {
	a := newAuthority(t)
	a.deaf = true
	s, taken := guarded(t, a)
	for _, tokens := range []int{1, 2} { // a fresh one that is turned away is not renewed at once
		n, err := s.Deliver(t.Context(), sinktest.Weighings(2, 1))
		if n != 0 || outcome(err) != "stopped" || *taken != 0 || a.given != tokens {
			t.Errorf("accepted %d with %d tokens: %v", n, a.given, err)
		}
	}
}

// TestWhatAnAuthorizationServerAnswers: the errors are those of RFC 6749 section 5.2.
func TestWhatAnAuthorizationServerAnswers(t *testing.T) {
	say := func(status int, header, body string) func(http.ResponseWriter) bool {
		return func(w http.ResponseWriter) bool {
			w.Header().Set("Content-Type", "application/json")
			if name, value, ok := strings.Cut(header, ": "); ok {
				w.Header().Set(name, value)
			}
			w.WriteHeader(status)
			fmt.Fprint(w, body)
			return true
		}
	}
	for name, c := range map[string]struct {
		answers func(http.ResponseWriter) bool
		secret  string
		want    string
		words   string
	}{
		"a wrong secret":          {nil, "wrong", "stopped", "invalid_client: check token_url, client, secret and scopes"},
		"a scope it has not":      {say(400, "", `{"error":"invalid_scope","error_description":"\u202elet me in"}`), "", "stopped", "invalid_scope"},
		"what it makes up":        {say(400, "", `{"error":"let me in: +/&="}`), "", "stopped", "400 Bad Request: check"},
		"another address":         {say(302, "Location: https://elsewhere.example/", ""), "", "stopped", "302"},
		"too many questions":      {say(429, "Retry-After: 30", "{}"), "", "busy 30s", "429"},
		"out of order":            {say(503, "", ""), "", "again", "503"},
		"no JSON":                 {say(200, "", "<html>"), "", "again", "no token"},
		"no token":                {say(200, "", "{}"), "", "again", "no token"},
		"a token of another kind": {say(200, "", `{"access_token":"x","token_type":"mac"}`), "", "stopped", "no bearer token"},
		"a token with a line end": {say(200, "", `{"access_token":"x\r\ny: z","token_type":"bearer"}`), "", "stopped", "no header can carry"},
		"an answer of 30 MB":      {say(200, "", strings.Repeat(" ", 30<<20)), "", "again", "no token"},
	} {
		t.Run(name, func(t *testing.T) {
			a := newAuthority(t)
			s, taken := guarded(t, a)
			a.answers = c.answers
			if c.secret != "" {
				t.Setenv("WEIGHPOST_TEST_OAUTH", c.secret)
			}
			n, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1))
			if n != 0 || *taken != 0 || outcome(err) != c.want || !strings.Contains(err.Error(), c.words) {
				t.Errorf("%s (%v), want %s with %q", outcome(err), err, c.want, c.words)
			}
			for _, no := range []string{"wrong", "let me in", "\u202e"} {
				if strings.Contains(err.Error(), no) {
					t.Errorf("%q shows %q", err, no)
				}
			}
			// Mended, it goes on without being opened anew.
			a.set(func() { a.answers = nil })
			t.Setenv("WEIGHPOST_TEST_OAUTH", a.secret)
			if n, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1)); n != 1 || err != nil {
				t.Errorf("mended: %d, %v", n, err)
			}
		})
	}
}

func TestAnAuthorizationServerThatIsAway(t *testing.T) {
	a := newAuthority(t)
	s, _ := guarded(t, a)
	a.Close()
	if _, err := s.Deliver(t.Context(), sinktest.Weighings(1, 1)); outcome(err) != "again" || !strings.Contains(err.Error(), "authorization server") {
		t.Errorf("got %v", err)
	}
}
