package openid

import (
	"crypto/rand"
	"crypto/rsa"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"weighpost/gateway/access/outside"
	"weighpost/parsers/strict"
)

// hostile is a provider whose every answer the test puts together.
type hostile struct {
	*httptest.Server
	*Provider
	cfg   Config
	key   *rsa.PrivateKey
	later time.Duration // than it is

	mu       sync.Mutex
	discover func(map[string]any)           // changes what it says of itself
	token    func(flow outside.Flow) string // the ID token
	flow     outside.Flow
	answer   http.HandlerFunc // of the token endpoint; nil: the token
	info     string           // what it says of the person
	infos    int              // how often it was asked
	jwks     http.HandlerFunc // nil: its key
}

func newHostile(t *testing.T) *hostile {
	t.Helper()
	h := &hostile{info: `{"sub":"s-0042","preferred_username":"ada","name":"Ada","groups":["weighers"]}`}
	var err error
	if h.key, err = rsa.GenerateKey(rand.Reader, 2048); err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("/.well-known/openid-configuration", func(w http.ResponseWriter, r *http.Request) {
		doc := map[string]any{"issuer": h.URL, "authorization_endpoint": h.URL + "/auth", "token_endpoint": h.URL + "/token", "jwks_uri": h.URL + "/keys",
			"userinfo_endpoint": h.URL + "/people", "id_token_signing_alg_values_supported": []string{"RS256", "HS256", "none"}}
		if h.discover != nil {
			h.discover(doc)
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(doc)
	})
	mux.HandleFunc("/token", func(w http.ResponseWriter, r *http.Request) {
		if h.answer != nil {
			h.answer(w, r)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(map[string]any{"access_token": "at", "token_type": "Bearer", "id_token": h.token(h.flow)})
	})
	mux.HandleFunc("/keys", func(w http.ResponseWriter, r *http.Request) {
		if h.jwks != nil {
			h.jwks(w, r)
			return
		}
		_ = json.NewEncoder(w).Encode(jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &h.key.PublicKey, KeyID: "k", Algorithm: "RS256", Use: "sig"}}})
	})
	mux.HandleFunc("/people", func(w http.ResponseWriter, r *http.Request) {
		h.mu.Lock()
		h.infos++
		h.mu.Unlock()
		w.Header().Set("Content-Type", "application/json")
		fmt.Fprint(w, h.info)
	})
	h.Server = httptest.NewServer(mux)
	t.Cleanup(h.Close)
	h.cfg = Config{Issuer: h.URL, ClientID: "weighpost", ClientSecret: secretIn(t, "between us"), Timeout: strict.Duration(2 * time.Second)}
	h.Provider = New(Options{Config: func() Config { return h.cfg }, Now: func() time.Time { return time.Now().Add(h.later) }})
	h.token = func(flow outside.Flow) string { return h.sign(t, h.claims(flow)) }
	return h
}

// claims are those of an ID token that is all right.
func (h *hostile) claims(flow outside.Flow) map[string]any {
	now := time.Now().Add(h.later).Unix()
	return map[string]any{"iss": h.URL, "sub": "s-0042", "aud": "weighpost", "exp": now + 300, "iat": now, "nonce": flow.Nonce, "auth_time": now,
		"preferred_username": "ada", "name": "Ada", "groups": []string{"weighers"}}
}

func (h *hostile) sign(t *testing.T, claims map[string]any) string {
	t.Helper()
	return signWith(t, jose.RS256, jose.JSONWebKey{Key: h.key, KeyID: "k"}, claims)
}

func signWith(t *testing.T, alg jose.SignatureAlgorithm, key any, claims map[string]any) string {
	t.Helper()
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: alg, Key: key}, nil)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(claims)
	if err != nil {
		t.Fatal(err)
	}
	signed, err := signer.Sign(b)
	if err != nil {
		t.Fatal(err)
	}
	text, err := signed.CompactSerialize()
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// signIn goes through one sign-in, as a browser does.
func (h *hostile) signIn(t *testing.T, fresh bool, change func(url.Values)) (outside.Found, error) {
	t.Helper()
	_, flow, err := h.Begin(t.Context(), back, fresh)
	if err != nil {
		return outside.Found{}, err
	}
	h.flow = flow
	query := url.Values{"state": {flow.State}, "code": {"a-code"}}
	if change != nil {
		change(query)
	}
	return h.Finish(t.Context(), flow, query)
}

func TestAHonestAnswerIsTaken(t *testing.T) { // else the attacks below would fail for another reason
	h := newHostile(t)
	for _, fresh := range []bool{false, true} {
		if found, err := h.signIn(t, fresh, nil); err != nil || found.Login != "ada" {
			t.Fatal(found, err)
		}
	}
	if h.infos != 0 {
		t.Error("the provider was asked for what the ID token says")
	}
}

// TestIDTokensThatAreNotBelieved: OpenID Connect Core 1.0, section 3.1.3.7; RFC 8725 for the algorithms.
func TestIDTokensThatAreNotBelieved(t *testing.T) {
	h := newHostile(t)
	stranger, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	with := func(key string, value any) func(map[string]any) {
		return func(c map[string]any) {
			if c[key] = value; value == nil {
				delete(c, key)
			}
		}
	}
	now := time.Now().Unix()
	for name, c := range map[string]struct {
		change func(map[string]any)
		token  func(claims map[string]any) string
		fresh  bool
		want   string
	}{
		"another nonce":           {change: with("nonce", "another"), want: "nonce"},
		"no nonce":                {change: with("nonce", nil), want: "nonce"},
		"another issuer":          {change: with("iss", "https://elsewhere.example"), want: "issued by a different provider"},
		"the issuer with a slash": {change: func(c map[string]any) { c["iss"] = c["iss"].(string) + "/" }, want: "issued by a different provider"},
		"no issuer":               {change: with("iss", nil), want: "issued by a different provider"},
		"another audience":        {change: with("aud", "another"), want: "audience"},
		"no audience":             {change: with("aud", nil), want: "audience"},
		"others too":              {change: with("aud", []string{"weighpost", "another"}), want: "azp"},
		"made for another":        {change: func(c map[string]any) { c["aud"], c["azp"] = []string{"weighpost", "another"}, "another" }, want: "azp"},
		"made for a number":       {change: with("azp", 7), want: "azp"},
		"over":                    {change: with("exp", now-120), want: "has run out"},
		"endless":                 {change: with("exp", nil), want: "has run out"},
		"of the future":           {change: with("iat", now+120), want: "from the future"},
		"of no time":              {change: with("iat", nil), want: "from the future"},
		"of yesterday":            {change: with("iat", now-86400), want: "older than this sign-in"},
		"not valid yet":           {change: with("nbf", now+120), want: "not valid yet"},
		"not valid by a word":     {change: with("nbf", "soon"), want: "cannot be trusted"},
		"about nobody":            {change: with("sub", ""), want: "who it is about"},
		"about a long name":       {change: with("sub", strings.Repeat("x", 256)), want: "who it is about"},
		"about control signs":     {change: with("sub", "s\n0042"), want: "who it is about"},
		"another access token":    {change: with("at_hash", "AAAAAAAAAAAAAAAAAAAAAA"), want: "access token hash"},
		"not when they signed in": {change: with("auth_time", nil), fresh: true, want: "does not say when"},
		"signed in an hour ago":   {change: with("auth_time", now-3600), fresh: true, want: "did not have this person show anew"},
		"will sign in":            {change: with("auth_time", now+3600), fresh: true, want: "in the future"},
		"signed in by a word":     {change: with("auth_time", "now"), fresh: true, want: "does not say when"},
		"a login that is a list":  {change: with("preferred_username", []string{"ada"}), want: "preferred_username is no text"},
		"a login without an end":  {change: with("preferred_username", strings.Repeat("a", 300)), want: "preferred_username is no text"},
		"groups that are numbers": {change: with("groups", []int{1}), want: "groups is no list"},
		"groups that are a tree":  {change: with("groups", map[string]any{"a": 1}), want: "groups is no list"},
		"no algorithm": {token: func(c map[string]any) string {
			b, _ := json.Marshal(c)
			return base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"none"}`)) + "." + base64.RawURLEncoding.EncodeToString(b) + "."
		}, want: "malformed jwt"},
		"the public key as a secret": {token: func(c map[string]any) string {
			der, _ := x509.MarshalPKIXPublicKey(&h.key.PublicKey)
			return signWith(t, jose.HS256, jose.JSONWebKey{Key: pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: der}), KeyID: "k"}, c)
		}, want: "malformed jwt"},
		"an algorithm that is not allowed": {token: func(c map[string]any) string {
			return signWith(t, jose.RS512, jose.JSONWebKey{Key: h.key, KeyID: "k"}, c)
		}, want: "malformed jwt"},
		"a stranger's key, under the name of ours": {token: func(c map[string]any) string {
			return signWith(t, jose.RS256, jose.JSONWebKey{Key: stranger, KeyID: "k"}, c)
		}, want: "verify signature"},
		"a key that the provider does not name": {token: func(c map[string]any) string {
			return signWith(t, jose.RS256, jose.JSONWebKey{Key: stranger, KeyID: "other"}, c)
		}, want: "verify signature"},
		"a key that it brings along": {token: func(c map[string]any) string {
			signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.RS256, Key: stranger}, &jose.SignerOptions{EmbedJWK: true})
			if err != nil {
				t.Fatal(err)
			}
			b, _ := json.Marshal(c)
			signed, _ := signer.Sign(b)
			text, _ := signed.CompactSerialize()
			return text
		}, want: "verify signature"},
		"claims that were changed": {token: func(c map[string]any) string {
			parts := strings.Split(h.sign(t, c), ".")
			c["sub"] = "s-0043"
			b, _ := json.Marshal(c)
			return parts[0] + "." + base64.RawURLEncoding.EncodeToString(b) + "." + parts[2]
		}, want: "verify signature"},
		"no token":     {token: func(map[string]any) string { return "" }, want: "no ID token"},
		"a word":       {token: func(map[string]any) string { return "hello" }, want: "malformed jwt"},
		"a huge token": {token: func(map[string]any) string { return strings.Repeat("a", maxIDToken+1) }, want: "no ID token"},
	} {
		t.Run(name, func(t *testing.T) {
			h.token = func(flow outside.Flow) string {
				claims := h.claims(flow)
				if c.change != nil {
					c.change(claims)
				}
				if c.token != nil {
					return c.token(claims)
				}
				return h.sign(t, claims)
			}
			found, err := h.signIn(t, c.fresh, nil)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%+v, %v; want %q", found, err, c.want)
			}
			if err != nil && (len(err.Error()) > 500 || strings.ContainsAny(err.Error(), "\r\n\x1b")) {
				t.Errorf("the error is no short line: %q", err)
			}
		})
	}
}

// TestAnswersThatAreNotBelieved: RFC 6749, sections 3.1, 4.1.2 and 10.12; RFC 9207 against answers of another provider.
func TestAnswersThatAreNotBelieved(t *testing.T) {
	h := newHostile(t)
	for name, c := range map[string]struct {
		change func(url.Values)
		want   string
	}{
		"another state":               {func(q url.Values) { q.Set("state", "another") }, "its state"},
		"no state":                    {func(q url.Values) { q.Del("state") }, "its state"},
		"two states":                  {func(q url.Values) { q.Add("state", q.Get("state")) }, "more than once"},
		"two codes":                   {func(q url.Values) { q.Add("code", "another") }, "more than once"},
		"no code":                     {func(q url.Values) { q.Del("code") }, "no code"},
		"a huge code":                 {func(q url.Values) { q.Set("code", strings.Repeat("c", maxCode+1)) }, "no code"},
		"another issuer":              {func(q url.Values) { q.Set("iss", "https://elsewhere.example") }, "comes from the issuer"},
		"an empty issuer":             {func(q url.Values) { q.Set("iss", "") }, "comes from the issuer"},
		"given up":                    {func(q url.Values) { q.Set("error", "access_denied") }, "refused or given up"},
		"first elsewhere":             {func(q url.Values) { q.Set("error", "login_required") }, "wants something done there first"},
		"out of order":                {func(q url.Values) { q.Set("error", "temporarily_unavailable") }, "could not be asked"},
		"a strange error":             {func(q url.Values) { q.Set("error", "<script>\x1b[31m"+strings.Repeat("x", 1000)) }, "answered with the error <script>?[31mx"},
		"an error with another state": {func(q url.Values) { q.Set("error", "access_denied"); q.Set("state", "x") }, "its state"},
	} {
		_, err := h.signIn(t, false, c.change)
		if err == nil || !strings.Contains(err.Error(), c.want) || len(err.Error()) > 500 || strings.ContainsAny(err.Error(), "\r\n\x1b") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := h.signIn(t, false, func(q url.Values) { q.Set("iss", h.URL) }); err != nil {
		t.Errorf("with its own issuer: %v", err)
	}
	h.discover = func(doc map[string]any) { doc["authorization_response_iss_parameter_supported"] = true }
	h.cfg.Scopes = []string{} // another configuration: it is asked anew
	if _, err := h.signIn(t, false, nil); err == nil || !strings.Contains(err.Error(), "comes from the issuer") {
		t.Errorf("without the issuer that it promises: %v", err)
	}
}

func TestWhatThePersonIsSaidToBeElsewhere(t *testing.T) {
	h := newHostile(t)
	bare := func(flow outside.Flow) string {
		c := h.claims(flow)
		maps.DeleteFunc(c, func(k string, _ any) bool { return k == "preferred_username" || k == "name" || k == "groups" })
		return h.sign(t, c)
	}
	h.token = bare
	if found, err := h.signIn(t, false, nil); err != nil || found.Login != "ada" || len(found.Groups) != 1 {
		t.Fatal(found, err)
	}
	for info, want := range map[string]string{
		`{"sub":"s-0043","preferred_username":"bo"}`:       "another person",
		`{"preferred_username":"bo"}`:                      "another person",
		`{"sub":"s-0042"}`:                                 "does not say the login",
		`{"sub":"s-0042","email":"ada@seed-bank.example"}`: "does not say the login", // nobody is known by an address
		`not JSON`: "does not say more",
		`{"sub":"s-0042","preferred_username":"` + strings.Repeat("x", maxAnswer) + `"}`: "larger than 512 KiB",
	} {
		h.info = info
		if _, err := h.signIn(t, false, nil); err == nil || !strings.Contains(err.Error(), want) || len(err.Error()) > 500 {
			t.Errorf("%.60s: %v", info, err)
		}
	}
	h.token = func(flow outside.Flow) string {
		c := h.claims(flow)
		delete(c, "groups")
		c["_claim_names"], c["_claim_sources"] = map[string]any{"groups": "src1"}, map[string]any{"src1": map[string]any{"endpoint": h.URL + "/elsewhere"}}
		return h.sign(t, c)
	}
	h.info = `{"sub":"s-0042"}`
	if _, err := h.signIn(t, false, nil); !strings.Contains(refusedBy(err), "too many groups") {
		t.Errorf("groups that stand elsewhere: %v", err)
	}
}

// TestNobodyIsFollowedElsewhere: a redirect of an endpoint would take code and secret along.
func TestNobodyIsFollowedElsewhere(t *testing.T) {
	h := newHostile(t)
	came := make(chan string, 10)
	elsewhere := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { came <- r.URL.Path }))
	defer elsewhere.Close()
	h.answer = func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, elsewhere.URL+"/token", http.StatusTemporaryRedirect)
	}
	var down *outside.Unavailable
	if _, err := h.signIn(t, false, nil); !errors.As(err, &down) {
		t.Errorf("%v", err)
	}
	h.answer = nil
	h.jwks = func(w http.ResponseWriter, r *http.Request) {
		http.Redirect(w, r, elsewhere.URL+"/keys", http.StatusFound)
	}
	if _, err := h.signIn(t, false, nil); !errors.As(err, &down) || !strings.Contains(err.Error(), "keys") {
		t.Errorf("%v", err)
	}
	if len(came) > 0 {
		t.Errorf("somebody came to %s", <-came)
	}
	for key, bad := range map[string]string{"issuer": "https://elsewhere.example", "token_endpoint": "http://elsewhere.example/token", "authorization_endpoint": "javascript:alert(1)",
		"jwks_uri": "file:///etc/passwd", "userinfo_endpoint": "http://192.0.2.7/people"} {
		h.discover = func(doc map[string]any) { doc[key] = bad }
		h.cfg.Scopes = append(h.cfg.Scopes, "x"+key)
		if _, _, err := h.Begin(t.Context(), back, false); !errors.As(err, &down) {
			t.Errorf("%s %s: %v", key, bad, err)
		}
	}
}

// TestHugeAndSlowAnswers are cut off, each within its limit.
func TestHugeAndSlowAnswers(t *testing.T) {
	huge := func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/json")
		fmt.Fprint(w, `{"keys":[`)
		for range 64 {
			if _, err := w.Write([]byte(strings.Repeat(" ", 64<<10))); err != nil {
				return
			}
		}
	}
	silent := func(_ http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body) // only then the server sees that the client has gone
		<-r.Context().Done()
	}
	drip := func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.Copy(io.Discard, r.Body)
		for r.Context().Err() == nil {
			_, _ = w.Write([]byte(" "))
			w.(http.Flusher).Flush()
			time.Sleep(20 * time.Millisecond)
		}
	}
	status := func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusBadGateway)
		fmt.Fprint(w, strings.Repeat("<h1>\x1b[31m", 1000))
	}
	for name, answer := range map[string]http.HandlerFunc{"huge": huge, "silent": silent, "drop by drop": drip, "an error page": status} {
		for _, where := range []string{"tokens", "keys"} {
			t.Run(name+", "+where, func(t *testing.T) {
				t.Parallel()
				h := newHostile(t)
				h.cfg.Timeout = strict.Duration(500 * time.Millisecond)
				if where == "tokens" {
					h.answer = answer
				} else {
					h.jwks = answer
				}
				began := time.Now()
				_, err := h.signIn(t, false, nil)
				var down *outside.Unavailable
				if !errors.As(err, &down) || len(err.Error()) > 500 || strings.ContainsAny(err.Error(), "\r\n\x1b") {
					t.Errorf("%v", err)
				}
				if took := time.Since(began); took > 10*time.Second {
					t.Errorf("it took %s", took)
				}
			})
		}
	}
}

// TestAKeyThatIsWithdrawn is good for as long as what the provider said of itself is kept, and no longer.
func TestAKeyThatIsWithdrawn(t *testing.T) {
	h := newHostile(t)
	if _, err := h.signIn(t, false, nil); err != nil {
		t.Fatal(err)
	}
	h.jwks = func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `{"keys":[]}`) }
	h.later = keptFor + time.Minute
	if _, err := h.signIn(t, false, nil); err == nil || !strings.Contains(err.Error(), "verify signature") {
		t.Errorf("an hour later: %v", err)
	}
}

func TestProvidersErrorsAreSentences(t *testing.T) {
	h := newHostile(t)
	for code, want := range map[string]string{"invalid_grant": "takes this sign-in for over", "invalid_client": "client_id and client_secret",
		"unauthorized_client": "client_id and client_secret", "server_error": "gave no tokens: 400"} {
		h.answer = func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Type", "application/json")
			w.WriteHeader(http.StatusBadRequest)
			fmt.Fprintf(w, `{"error":%q,"error_description":"the code a-code of secret between us"}`, code)
		}
		_, err := h.signIn(t, false, nil)
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "a-code") || strings.Contains(err.Error(), "between us") {
			t.Errorf("%s: %v", code, err)
		}
	}
}

func TestConfigurations(t *testing.T) {
	good := Config{Issuer: "https://id.example/lab", ClientID: "weighpost", Groups: []GroupRoles{{"weighers", []string{"operator"}}}}
	for want, change := range map[string]func(*Config){
		"": func(*Config) {}, "has no TLS": func(c *Config) { c.Issuer = "http://id.example" }, "is no URL": func(c *Config) { c.Issuer = "https://[" },
		"a user, a query": func(c *Config) { c.Issuer = "https://id.example/?a=b" }, "client_id: is missing": func(c *Config) { c.ClientID = "" },
		"is no algorithm with public keys": func(c *Config) { c.Algorithms = []string{"HS256"} }, "nobody is known by it": func(c *Config) { c.Claims.Login = "email" },
		"is not absolute": func(c *Config) { c.CA = "ca.pem" }, "skew: 10m is out of range": func(c *Config) { c.Skew = strict.Duration(10 * time.Minute) },
		"is no scope": func(c *Config) { c.Scopes = []string{"a b"} }, "would give nothing": func(c *Config) { c.Groups[0].Roles = nil },
	} {
		c := good
		c.Groups = []GroupRoles{good.Groups[0]}
		change(&c)
		r := strict.NewReport("c.yaml")
		c.Check(r)
		got := ""
		if f := r.Faults(); f != nil {
			got = f.Error()
		}
		if want == "" && got != "" || !strings.Contains(got, want) {
			t.Errorf("%q: %s", want, got)
		}
	}
	if roles := good.RolesOf([]string{"others", "weighers", "weighers"}); len(roles) != 1 || roles[0] != "operator" {
		t.Errorf("%v", roles)
	}
}
