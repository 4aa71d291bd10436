package optest

import (
	"context"
	"crypto/rand"
	"crypto/rsa"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/zitadel/oidc/v3/pkg/oidc"
	"github.com/zitadel/oidc/v3/pkg/op"
)

// storage is what the library asks for, in memory.
type storage struct {
	server *Server

	mu       sync.Mutex
	requests map[string]*request
	codes    map[string]string // code → id of the request
	tokens   map[string]string // id of the access token → subject
	sessions map[string]*remembering
	keys     []key // the newest first, which signs
	made     int
}

type remembering struct {
	login string
	at    time.Time
}

var _ op.Storage = (*storage)(nil)

func newStorage(t testing.TB, s *Server) *storage {
	st := &storage{server: s, requests: map[string]*request{}, codes: map[string]string{}, tokens: map[string]string{}, sessions: map[string]*remembering{}}
	st.rotate(t, false)
	return st
}

func (s *storage) rotate(t testing.TB, withdrawn bool) {
	private, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		t.Fatal(err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.made++
	if withdrawn {
		s.keys = nil
	}
	s.keys = slices.Insert(s.keys, 0, key{fmt.Sprintf("key-%d", s.made), private})
}

func (s *storage) fresh(what string) string {
	s.made++
	return fmt.Sprintf("%s-%d-%s", what, s.made, rand.Text())
}

func (s *storage) request(id string) *request {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.requests[id]
}

func (s *storage) done(r *request, subject string, at time.Time) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r.subject, r.at = subject, at
}

func (s *storage) remember(login string, at time.Time) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	id := s.fresh("session")
	s.sessions[id] = &remembering{login, at}
	return id
}

func (s *storage) session(id string) (login string, at time.Time, ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r, ok := s.sessions[id]
	if !ok {
		return "", time.Time{}, false
	}
	return r.login, r.at, true
}

func (s *storage) backdate(ago time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, r := range s.sessions {
		r.at = r.at.Add(-ago)
	}
}

func (s *storage) person(subject string) (Person, bool) {
	for _, p := range s.server.options.People {
		if p.Subject == subject {
			return p, true
		}
	}
	return Person{}, false
}

// Requests.

// request is one sign-in that somebody asked for.
type request struct {
	id, subject string
	at          time.Time
	asked       *oidc.AuthRequest
}

func (r *request) anew() bool {
	return r.asked.MaxAge != nil && *r.asked.MaxAge == 0 || slices.Contains(r.asked.Prompt, oidc.PromptLogin)
}

func (r *request) GetID() string                      { return r.id }
func (r *request) GetACR() string                     { return "" }
func (r *request) GetAMR() []string                   { return nil }
func (r *request) GetAudience() []string              { return []string{r.asked.ClientID} }
func (r *request) GetAuthTime() time.Time             { return r.at }
func (r *request) GetClientID() string                { return r.asked.ClientID }
func (r *request) GetNonce() string                   { return r.asked.Nonce }
func (r *request) GetRedirectURI() string             { return r.asked.RedirectURI }
func (r *request) GetResponseType() oidc.ResponseType { return r.asked.ResponseType }
func (r *request) GetResponseMode() oidc.ResponseMode { return r.asked.ResponseMode }
func (r *request) GetScopes() []string                { return r.asked.Scopes }
func (r *request) GetState() string                   { return r.asked.State }
func (r *request) GetSubject() string                 { return r.subject }
func (r *request) Done() bool                         { return r.subject != "" }
func (r *request) GetCodeChallenge() *oidc.CodeChallenge {
	if r.asked.CodeChallenge == "" {
		return nil
	}
	return &oidc.CodeChallenge{Challenge: r.asked.CodeChallenge, Method: r.asked.CodeChallengeMethod}
}

func (s *storage) CreateAuthRequest(_ context.Context, asked *oidc.AuthRequest, _ string) (op.AuthRequest, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	r := &request{id: s.fresh("request"), asked: asked}
	s.requests[r.id] = r
	return r, nil
}

func (s *storage) AuthRequestByID(_ context.Context, id string) (op.AuthRequest, error) {
	if r := s.request(id); r != nil {
		return r, nil
	}
	return nil, errors.New("no such request")
}

func (s *storage) AuthRequestByCode(ctx context.Context, code string) (op.AuthRequest, error) {
	s.mu.Lock()
	id, there := s.codes[code]
	s.mu.Unlock()
	if !there {
		return nil, errors.New("no such code")
	}
	return s.AuthRequestByID(ctx, id)
}

func (s *storage) SaveAuthCode(_ context.Context, id, code string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.codes[code] = id
	return nil
}

func (s *storage) DeleteAuthRequest(_ context.Context, id string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.requests, id)
	for code, of := range s.codes {
		if of == id {
			delete(s.codes, code)
		}
	}
	return nil
}

// Tokens.

func (s *storage) CreateAccessToken(_ context.Context, r op.TokenRequest) (string, time.Time, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	id := s.fresh("token")
	s.tokens[id] = r.GetSubject()
	return id, time.Now().Add(5 * time.Minute), nil
}

var errNotHere = errors.New("this provider does not do that")

func (s *storage) CreateAccessAndRefreshTokens(context.Context, op.TokenRequest, string) (string, string, time.Time, error) {
	return "", "", time.Time{}, errNotHere
}
func (s *storage) TokenRequestByRefreshToken(context.Context, string) (op.RefreshTokenRequest, error) {
	return nil, errNotHere
}
func (s *storage) TerminateSession(context.Context, string, string) error { return errNotHere }
func (s *storage) RevokeToken(context.Context, string, string, string) *oidc.Error {
	return oidc.ErrServerError()
}
func (s *storage) GetRefreshTokenInfo(context.Context, string, string) (string, string, error) {
	return "", "", op.ErrInvalidRefreshToken
}

// Keys.

type key struct {
	id      string
	private *rsa.PrivateKey
}

func (k key) SignatureAlgorithm() jose.SignatureAlgorithm { return jose.RS256 }
func (k key) Key() any                                    { return k.private }
func (k key) ID() string                                  { return k.id }

type public struct{ key }

func (k public) Algorithm() jose.SignatureAlgorithm { return jose.RS256 }
func (k public) Use() string                        { return "sig" }
func (k public) Key() any                           { return &k.private.PublicKey }

func (s *storage) SigningKey(context.Context) (op.SigningKey, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.keys[0], nil
}

func (s *storage) SignatureAlgorithms(context.Context) ([]jose.SignatureAlgorithm, error) {
	return []jose.SignatureAlgorithm{jose.RS256}, nil
}

func (s *storage) KeySet(context.Context) ([]op.Key, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var all []op.Key
	for _, k := range s.keys {
		all = append(all, public{k})
	}
	return all, nil
}

// Clients.

type client struct {
	o         *Options
	redirects []string
}

func (c client) GetID() string                       { return c.o.Client }
func (c client) RedirectURIs() []string              { return c.redirects }
func (c client) PostLogoutRedirectURIs() []string    { return nil }
func (c client) ApplicationType() op.ApplicationType { return op.ApplicationTypeWeb }
func (c client) ResponseTypes() []oidc.ResponseType {
	return []oidc.ResponseType{oidc.ResponseTypeCode}
}
func (c client) GrantTypes() []oidc.GrantType         { return []oidc.GrantType{oidc.GrantTypeCode} }
func (c client) LoginURL(id string) string            { return "/login?id=" + id }
func (c client) AccessTokenType() op.AccessTokenType  { return op.AccessTokenTypeBearer }
func (c client) IDTokenLifetime() time.Duration       { return 5 * time.Minute }
func (c client) DevMode() bool                        { return true } // http:// for loopback
func (c client) IsScopeAllowed(string) bool           { return true }
func (c client) IDTokenUserinfoClaimsAssertion() bool { return c.o.InIDToken }
func (c client) ClockSkew() time.Duration             { return 0 }
func (c client) AuthMethod() oidc.AuthMethod {
	if c.o.Secret == "" {
		return oidc.AuthMethodNone
	}
	return oidc.AuthMethodBasic
}
func (c client) RestrictAdditionalIdTokenScopes() func([]string) []string {
	return func(s []string) []string { return s }
}
func (c client) RestrictAdditionalAccessTokenScopes() func([]string) []string {
	return func(s []string) []string { return s }
}

func (s *storage) GetClientByClientID(_ context.Context, id string) (op.Client, error) {
	if id != s.server.options.Client {
		return nil, errors.New("no such client")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return client{&s.server.options, slices.Clone(s.server.options.Redirects)}, nil
}

func (s *storage) AuthorizeClientIDSecret(_ context.Context, id, secret string) error {
	if o := s.server.options; id != o.Client || o.Secret == "" || secret != o.Secret {
		return errors.New("wrong client or secret")
	}
	return nil
}

// People.

func (s *storage) tell(info *oidc.UserInfo, subject string) error {
	p, there := s.person(subject)
	if !there {
		return errors.New("no such person")
	}
	info.Subject, info.PreferredUsername, info.Name, info.Email = subject, p.Login, p.Name, p.Email
	info.AppendClaims("groups", p.Groups)
	return nil
}

func (s *storage) SetUserinfoFromScopes(_ context.Context, info *oidc.UserInfo, subject, _ string, scopes []string) error {
	if !s.server.options.InIDToken || !slices.Contains(scopes, oidc.ScopeProfile) {
		info.Subject = subject
		return nil
	}
	return s.tell(info, subject)
}

func (s *storage) SetUserinfoFromToken(_ context.Context, info *oidc.UserInfo, id, subject, _ string) error {
	s.mu.Lock()
	of := s.tokens[id]
	s.mu.Unlock()
	if of != subject {
		return errors.New("no such token")
	}
	return s.tell(info, subject)
}

func (s *storage) SetIntrospectionFromToken(context.Context, *oidc.IntrospectionResponse, string, string, string) error {
	return errNotHere
}
func (s *storage) GetPrivateClaimsFromScopes(context.Context, string, string, []string) (map[string]any, error) {
	return nil, nil
}
func (s *storage) GetKeyByIDAndClientID(context.Context, string, string) (*jose.JSONWebKey, error) {
	return nil, errNotHere
}
func (s *storage) ValidateJWTProfileScopes(context.Context, string, []string) ([]string, error) {
	return nil, errNotHere
}
func (s *storage) Health(context.Context) error { return nil }
