package openid

import (
	"context"
	"errors"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"weighpost/gateway/access/openid/optest"
	"weighpost/gateway/access/outside"
	"weighpost/gateway/health"
	"weighpost/parsers/strict"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const back = "https://page.lab.example/sign-in/openid"

var ada = optest.Person{Secret: "correct horse", Subject: "s-0042", Login: "ada", Name: "Ada Brook", Email: "ada@seed-bank.example", Groups: []string{"weighers", "seed-lots"}}

// served is a real provider, and what asks it.
type served struct {
	*Provider
	op    *optest.Server
	cfg   Config
	board *health.Board
	now   time.Time // zero: the computer's
}

func serve(t *testing.T, o optest.Options) *served {
	t.Helper()
	o.Client, o.Redirects = "weighpost", []string{back}
	o.People = map[string]optest.Person{"ada": ada, "bo": {Secret: "other", Subject: "s-0043", Login: "bo", Name: "Bo Lind"}}
	s := &served{op: optest.Start(t, o), board: health.New(time.Now)}
	s.cfg = Config{Issuer: s.op.URL, ClientID: o.Client, CA: s.op.CA}
	if o.Secret != "" {
		s.cfg.ClientSecret = secretIn(t, o.Secret)
	}
	s.Provider = New(Options{Config: func() Config { return s.cfg }, Board: s.board, Now: func() time.Time {
		if s.now.IsZero() {
			return time.Now()
		}
		return s.now
	}})
	return s
}

func secretIn(t *testing.T, text string) strict.Secret {
	t.Helper()
	path := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := strict.SecretFrom("file:" + path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func queryOf(t *testing.T, address string) url.Values {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil || !strings.HasPrefix(address, back+"?") {
		t.Fatalf("sent back to %s, %v", address, err)
	}
	return u.Query()
}

func (s *served) begin(t *testing.T, fresh bool) (string, outside.Flow) {
	t.Helper()
	to, flow, err := s.Begin(t.Context(), back, fresh)
	if err != nil {
		t.Fatal(err)
	}
	return to, flow
}

func refusedBy(err error) string {
	var refused *outside.Refused
	if errors.As(err, &refused) {
		return refused.Why
	}
	return ""
}

func TestSigningInAtARealProvider(t *testing.T) {
	for name, o := range map[string]optest.Options{
		"confidential, claims of the person asked for": {Secret: "between us"},
		"with TLS and an authority of its own":         {TLS: true, Secret: "between us"},
		"a public client, by PKCE alone":               {},
		"claims in the ID token":                       {Secret: "between us", InIDToken: true},
		"a secret with signs":                          {Secret: "a b&c=d:e%f+é"}, // RFC 6749, section 2.3.1: encoded before it goes into the header
	} {
		t.Run(name, func(t *testing.T) {
			s := serve(t, o)
			to, flow := s.begin(t, false)
			q, _ := url.Parse(to)
			for param, want := range map[string]string{"response_type": "code", "code_challenge_method": "S256", "client_id": "weighpost", "redirect_uri": back, "max_age": ""} {
				if got := q.Query().Get(param); got != want {
					t.Errorf("%s=%q, want %q", param, got, want)
				}
			}
			if strings.Contains(to, flow.Verifier) || len(flow.State) < 43 || len(flow.Nonce) < 43 || flow.State == flow.Nonce {
				t.Errorf("%s of %+v", to, flow)
			}
			query := queryOf(t, s.op.SignIn(t, optest.Browser(t), to, "ada", ada.Secret))
			found, err := s.Finish(t.Context(), flow, query)
			if err != nil {
				t.Fatal(err)
			}
			if found.Source != Source || found.Immutable != s.op.URL+" s-0042" || found.Login != "ada" || found.Name != "Ada Brook" ||
				strings.Join(found.Groups, ",") != "weighers,seed-lots" || time.Since(found.At) > time.Minute {
				t.Errorf("%+v", found)
			}
			if _, err := s.Finish(t.Context(), flow, query); refusedBy(err) == "" {
				t.Errorf("a code that was used: %v", err)
			}
		})
	}
}

func TestARealProviderHoldsTheCodeToItsVerifier(t *testing.T) {
	s := serve(t, optest.Options{Secret: "between us"})
	to, flow := s.begin(t, false)
	query := queryOf(t, s.op.SignIn(t, optest.Browser(t), to, "ada", ada.Secret))
	other := flow
	other.Verifier = strings.Repeat("x", 43)
	if _, err := s.Finish(t.Context(), other, query); err == nil {
		t.Error("a code is good without the verifier of its sign-in (RFC 7636)")
	}
}

// TestAFreshSignInIsOne: OpenID Connect Core 1.0, section 3.1.2.1, max_age, and section 2, auth_time.
func TestAFreshSignInIsOne(t *testing.T) {
	s := serve(t, optest.Options{Secret: "between us"})
	browser := optest.Browser(t)
	signIn := func(fresh bool) error {
		to, flow := s.begin(t, fresh)
		if fresh && !strings.Contains(to, "max_age=0") {
			t.Errorf("%s does not ask for it", to)
		}
		_, err := s.Finish(t.Context(), flow, queryOf(t, s.op.SignIn(t, browser, to, "ada", ada.Secret)))
		return err
	}
	if err := signIn(false); err != nil {
		t.Fatal(err)
	}
	s.op.Forget(time.Hour) // an hour goes by for it
	if err := signIn(false); err != nil {
		t.Errorf("by what the provider remembers: %v", err)
	}
	if err := signIn(true); err != nil {
		t.Errorf("fresh: %v", err)
	}
}

func TestAProviderThatDoesNotAskAnewIsRefused(t *testing.T) {
	s := serve(t, optest.Options{Secret: "between us", Lazy: true})
	browser := optest.Browser(t)
	to, flow := s.begin(t, false)
	if _, err := s.Finish(t.Context(), flow, queryOf(t, s.op.SignIn(t, browser, to, "ada", ada.Secret))); err != nil {
		t.Fatal(err)
	}
	s.op.Forget(time.Hour)
	to, flow = s.begin(t, true)
	_, err := s.Finish(t.Context(), flow, queryOf(t, s.op.SignIn(t, browser, to, "ada", ada.Secret)))
	if !strings.Contains(refusedBy(err), "did not have this person show anew who they are") {
		t.Errorf("an hour old: %v", err)
	}
}

func TestARealProviderIsOnlyAskedAsItKnowsUs(t *testing.T) {
	s := serve(t, optest.Options{Secret: "between us"})
	to, _, err := s.Begin(t.Context(), "https://elsewhere.example/sign-in/openid", false)
	if err != nil {
		t.Fatal(err)
	}
	resp, err := optest.Browser(t).Get(to)
	if err != nil {
		t.Fatal(err)
	}
	resp.Body.Close()
	if where, err := resp.Location(); err == nil && strings.Contains(where.String(), "elsewhere.example") {
		t.Errorf("the provider sends browsers elsewhere: %s", where)
	}
	for _, bad := range []string{"", "//elsewhere.example/", "http://page.lab.example/sign-in/openid", "javascript:alert(1)", "https://a:b@page.lab.example/", "https://page.lab.example/#x"} {
		if _, _, err := s.Begin(t.Context(), bad, false); err == nil {
			t.Errorf("a browser would be sent back to %q", bad)
		}
	}
	s.cfg.ClientSecret = secretIn(t, "the wrong one")
	to, flow := s.begin(t, false)
	_, err = s.Finish(t.Context(), flow, queryOf(t, s.op.SignIn(t, optest.Browser(t), to, "ada", ada.Secret)))
	var down *outside.Unavailable
	if !errors.As(err, &down) || !strings.Contains(err.Error(), "client_id and client_secret") || strings.Contains(err.Error(), "the wrong one") {
		t.Errorf("with a wrong secret: %v", err)
	}
}

// TestKeysThatChange: a new key is taken at once; one that was withdrawn is good for an hour at most.
func TestKeysThatChange(t *testing.T) {
	s := serve(t, optest.Options{Secret: "between us"})
	signIn := func() error {
		to, flow := s.begin(t, false)
		_, err := s.Finish(t.Context(), flow, queryOf(t, s.op.SignIn(t, optest.Browser(t), to, "ada", ada.Secret)))
		return err
	}
	for i, rotate := range []func(){func() {}, func() { s.op.Rotate(t, false) }, func() { s.op.Rotate(t, true) }} {
		rotate()
		if err := signIn(); err != nil {
			t.Errorf("change %d: %v", i, err)
		}
	}
}

func TestAnotherAuthorityIsNotBelieved(t *testing.T) {
	s := serve(t, optest.Options{TLS: true})
	s.cfg.CA = ""
	var down *outside.Unavailable
	if _, _, err := s.Begin(t.Context(), back, false); !errors.As(err, &down) || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("an authority that nobody named: %v", err)
	}
	if told := s.board.List(); len(told) != 1 || told[0].Code != health.ProviderUnavailable {
		t.Errorf("%+v", told)
	}
	s.cfg.CA = s.op.CA
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); s.Run(ctx) }()
	for limit := time.Now().Add(10 * time.Second); len(s.board.List()) > 0; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(limit) {
			t.Fatal("the condition stays")
		}
	}
	cancel()
	<-done
	s.op.Close()
	if _, _, err := s.Begin(t.Context(), back, false); err != nil {
		t.Errorf("what the provider said of itself is not kept: %v", err)
	}
	s.now = time.Now().Add(25 * time.Hour)
	if _, _, err := s.Begin(t.Context(), back, false); !errors.As(err, &down) {
		t.Errorf("a provider that is down for a day: %v", err)
	}
}
