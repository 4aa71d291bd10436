package openid

import (
	"context"
	"crypto/subtle"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"weighpost/gateway/access/outside"
)

const (
	maxCode    = 8 << 10 // bytes
	maxIDToken = 128 << 10
	maxSubject = 255 // OpenID Connect Core 1.0, section 2
	maxText    = 256 // bytes of a login, a name or a group
)

// Finish says who came back with this query from the sign-in that flow began. Errors are *outside.Refused where the provider, or
// whoever should have signed in, said no; *outside.Unavailable where it could not be asked; any other says why what came cannot
// be trusted. None of them holds a code, a token or a secret.
func (p *Provider) Finish(ctx context.Context, flow outside.Flow, query url.Values) (outside.Found, error) {
	k, err := p.discover(ctx, keptFor, goodFor)
	if err != nil {
		return outside.Found{}, p.unavailable(err)
	}
	code, err := k.answer(flow, query)
	if err != nil {
		return outside.Found{}, p.noted(err)
	}
	ctx, cancel := context.WithTimeout(ctx, 3*k.cfg.Timeout.D()) // tokens, keys, and more about the person
	defer cancel()
	token, err := k.exchange(ctx, flow, code)
	if err != nil {
		return outside.Found{}, p.noted(err)
	}
	id, err := k.verify(ctx, token)
	if err != nil {
		return outside.Found{}, p.noted(err)
	}
	now := p.options.Now()
	if err := k.doubt(id, flow, now); err != nil {
		return outside.Found{}, p.noted(err)
	}
	found, err := k.found(ctx, token, id)
	found.At = now
	return found, p.noted(err)
}

// noted logs what cannot be trusted, and an outage.
func (p *Provider) noted(err error) error {
	if err != nil {
		p.options.Log.Warn("a sign-in at the OpenID provider came to nothing", "err", err)
	}
	return err
}

// untrusted says why an answer cannot be trusted.
func untrusted(format string, values ...any) error {
	return fmt.Errorf("the answer of the OpenID provider cannot be trusted: "+format, values...)
}

func same(a, b string) bool { return a != "" && subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// answer gives the code of an answer that belongs to this flow and this provider.
func (k *known) answer(flow outside.Flow, query url.Values) (string, error) {
	for _, name := range []string{"state", "code", "iss", "error"} {
		if len(query[name]) > 1 {
			return "", untrusted("it has %s more than once (RFC 6749, section 3.1)", name)
		}
	}
	if !same(query.Get("state"), flow.State) {
		return "", untrusted("its state is not that of this sign-in")
	}
	// Another provider's answer, sent here by it so that its code goes to this one (RFC 9207).
	if iss := query.Get("iss"); iss != k.cfg.Issuer && (query.Has("iss") || k.namesIss) {
		return "", untrusted("it comes from the issuer %q", clean(iss, 100))
	}
	if query.Has("error") {
		return "", k.refusal(query)
	}
	code := query.Get("code")
	if code == "" || len(code) > maxCode {
		return "", untrusted("it holds no code that could be one")
	}
	return code, nil
}

// refusal puts an error of the provider into a sentence (RFC 6749, section 4.1.2.1; OpenID Connect Core 1.0, section 3.1.2.6).
func (k *known) refusal(query url.Values) error {
	what := clean(query.Get("error"), 60)
	switch what {
	case "access_denied":
		return &outside.Refused{Why: "the sign-in was refused or given up at the OpenID provider"}
	case "login_required", "interaction_required", "consent_required", "account_selection_required":
		return &outside.Refused{Why: "the OpenID provider wants something done there first (" + what + "): sign in there, then here"}
	case "server_error", "temporarily_unavailable":
		return &outside.Unavailable{Err: fmt.Errorf("the OpenID provider says %s", what)}
	}
	return &outside.Refused{Why: "the OpenID provider answered with the error " + what + ": see that weighpost is set up there as it is here"}
}

// exchange gives the tokens for a code.
func (k *known) exchange(ctx context.Context, flow outside.Flow, code string) (*oauth2.Token, error) {
	oauth := k.oauth
	oauth.RedirectURL = flow.Redirect
	if !k.cfg.ClientSecret.IsZero() {
		secret, err := k.cfg.ClientSecret.Resolve()
		if err != nil {
			return nil, &outside.Unavailable{Err: err}
		}
		oauth.ClientSecret = string(secret)
	}
	token, err := oauth.Exchange(k.within(ctx), code, oauth2.VerifierOption(flow.Verifier))
	var refused *oauth2.RetrieveError
	switch {
	case err == nil:
		return token, nil
	case !errors.As(err, &refused):
		return nil, &outside.Unavailable{Err: fmt.Errorf("no tokens came from the OpenID provider: %s", brief(err))}
	case refused.ErrorCode == "invalid_grant":
		return nil, &outside.Refused{Why: "the OpenID provider takes this sign-in for over: it took too long, or was used already"}
	case refused.ErrorCode == "invalid_client", refused.ErrorCode == "unauthorized_client":
		return nil, &outside.Unavailable{Err: fmt.Errorf("the OpenID provider does not know weighpost by this client_id and client_secret (%s)", refused.ErrorCode)}
	}
	status := http.StatusText(refused.Response.StatusCode)
	return nil, &outside.Unavailable{Err: fmt.Errorf("the OpenID provider gave no tokens: %d %s %s", refused.Response.StatusCode, status, clean(refused.ErrorCode, 60))}
}

// within is ctx with the client that asks this provider.
func (k *known) within(ctx context.Context) context.Context {
	return oidc.ClientContext(ctx, k.client)
}

// keys are the provider's; they remember why they could not be had, which the verifier's error does not say.
type keys struct {
	oidc.KeySet
	why error
}

func (s *keys) VerifySignature(ctx context.Context, jwt string) ([]byte, error) {
	payload, err := s.KeySet.VerifySignature(ctx, jwt)
	if err != nil && strings.HasPrefix(err.Error(), "fetching keys") {
		s.why = err
	}
	return payload, err
}

// idToken is what is needed of an ID token.
type idToken struct {
	*oidc.IDToken
	claims map[string]any
}

// verify gives the ID token, once its signature is the provider's. Its times and its nonce are not looked at yet.
func (k *known) verify(ctx context.Context, token *oauth2.Token) (*idToken, error) {
	raw, _ := token.Extra("id_token").(string)
	if raw == "" || len(raw) > maxIDToken {
		return nil, untrusted("it holds no ID token that could be one")
	}
	set := &keys{KeySet: k.keys}
	verifier := oidc.NewVerifier(k.cfg.Issuer, set, &oidc.Config{ClientID: k.cfg.ClientID, SupportedSigningAlgs: k.cfg.Algorithms, SkipExpiryCheck: true})
	id, err := verifier.Verify(ctx, raw)
	switch {
	case set.why != nil:
		return nil, &outside.Unavailable{Err: fmt.Errorf("the keys of the OpenID provider cannot be had: %s", brief(set.why))}
	case err != nil:
		return nil, untrusted("%s", brief(err))
	}
	if id.AccessTokenHash != "" {
		if err := id.VerifyAccessToken(token.AccessToken); err != nil {
			return nil, untrusted("%s", brief(err))
		}
	}
	all := map[string]any{}
	if err := id.Claims(&all); err != nil {
		return nil, untrusted("its claims cannot be read: %s", brief(err))
	}
	return &idToken{id, all}, nil
}

// doubt holds an ID token against what was asked for, in the order of OpenID Connect Core 1.0, section 3.1.3.7.
func (k *known) doubt(id *idToken, flow outside.Flow, now time.Time) error {
	skew := k.cfg.Skew.D()
	azp, named := id.claims["azp"].(string)
	notBefore, hasNotBefore, sane := id.time("nbf")
	switch {
	case id.Issuer != k.cfg.Issuer: // the library takes another spelling of one issuer
		return untrusted("the ID token is of the issuer %q", clean(id.Issuer, 100))
	case !slices.Contains(id.Audience, k.cfg.ClientID):
		return untrusted("the ID token is for %q", clean(strings.Join(id.Audience, " "), 100))
	case id.claims["azp"] != nil && (!named || azp != k.cfg.ClientID), len(id.Audience) > 1 && !named:
		return untrusted("the ID token is for others too, or was made for another program (azp)")
	case id.claims["exp"] == nil || now.After(id.Expiry.Add(skew)):
		return untrusted("the ID token has run out, or does not say when it does")
	case id.claims["iat"] == nil || id.IssuedAt.After(now.Add(skew)):
		return untrusted("the ID token is from the future, or does not say of when it is: compare the clocks")
	case id.IssuedAt.Before(flow.When.Add(-skew)):
		return untrusted("the ID token is older than this sign-in: compare the clocks")
	case !sane || hasNotBefore && notBefore.After(now.Add(skew)):
		return untrusted("the ID token is not valid yet")
	case !same(id.Nonce, flow.Nonce):
		return untrusted("the nonce of the ID token is not that of this sign-in")
	case id.Subject == "" || len(id.Subject) > maxSubject || clean(id.Subject, maxSubject) != id.Subject:
		return untrusted("the ID token does not say who it is about (sub)")
	}
	if flow.Fresh {
		return id.showsAnew(flow, now, skew)
	}
	return nil
}

// showsAnew refuses a sign-in that is older than it had to be (OpenID Connect Core 1.0, section 3.1.2.1, max_age).
func (id *idToken) showsAnew(flow outside.Flow, now time.Time, skew time.Duration) error {
	at, there, sane := id.time("auth_time")
	switch {
	case !there || !sane:
		return &outside.Refused{Why: "the OpenID provider does not say when this person last showed who they are (auth_time), so it counts for nothing here"}
	case at.Before(flow.When.Add(-skew)):
		return &outside.Refused{Why: "the OpenID provider did not have this person show anew who they are: that was at " + at.UTC().Format("2006-01-02 15:04:05 UTC")}
	case at.After(now.Add(skew)):
		return untrusted("it was signed in there in the future: compare the clocks")
	}
	return nil
}

// time gives a claim that is a number of seconds since 1970; sane is false where it is there and none.
func (id *idToken) time(name string) (at time.Time, there, sane bool) {
	value, there := id.claims[name]
	if !there {
		return time.Time{}, false, true
	}
	seconds, ok := value.(float64)
	if !ok || seconds < 0 || seconds > 1e11 {
		return time.Time{}, true, false
	}
	return time.Unix(int64(seconds), 0), true, true
}

// found says who it is. What the ID token does not say, the provider is asked for (OpenID Connect Core 1.0, section 5.3).
func (k *known) found(ctx context.Context, token *oauth2.Token, id *idToken) (outside.Found, error) {
	names := k.cfg.Claims
	all := id.claims
	if all[names.Login] == nil || all[names.Groups] == nil || all[names.Name] == nil {
		more, err := k.more(ctx, token, id.Subject)
		if err != nil {
			return outside.Found{}, err
		}
		for _, name := range []string{names.Login, names.Groups, names.Name} {
			if all[name] == nil && more[name] != nil {
				all[name] = more[name]
			}
		}
	}
	if elsewhere, ok := all["_claim_names"].(map[string]any); ok && elsewhere[names.Groups] != nil {
		return outside.Found{}, &outside.Refused{Why: "the OpenID provider does not name the groups of this person, but says where else to ask (too many groups): " +
			"have it name only those that are needed here"}
	}
	found := outside.Found{Source: Source, Immutable: k.cfg.Issuer + " " + id.Subject}
	var err error
	if found.Login, err = text(all, names.Login); err != nil {
		return outside.Found{}, err
	}
	if found.Login == "" {
		return outside.Found{}, &outside.Refused{Why: fmt.Sprintf("the OpenID provider does not say the login of this person (claim %s): see scopes and claims", names.Login)}
	}
	if found.Name, err = text(all, names.Name); err != nil {
		return outside.Found{}, err
	}
	found.Groups, err = groups(all, names.Groups)
	return found, err
}

// more is what the provider says of whom a token is about.
func (k *known) more(ctx context.Context, token *oauth2.Token, subject string) (map[string]any, error) {
	if k.provider.UserInfoEndpoint() == "" {
		return nil, nil
	}
	ctx = k.within(ctx)
	info, err := k.provider.UserInfo(ctx, oauth2.StaticTokenSource(token))
	if err != nil {
		return nil, &outside.Unavailable{Err: fmt.Errorf("the OpenID provider does not say more about this person: %s", brief(err))}
	}
	if info.Subject != subject { // section 5.3.2: tokens of others could have been put in
		return nil, untrusted("it tells about another person than it signed in")
	}
	all := map[string]any{}
	if err := info.Claims(&all); err != nil {
		return nil, untrusted("what it says about the person cannot be read: %s", brief(err))
	}
	return all, nil
}

func text(all map[string]any, name string) (string, error) {
	value, there := all[name]
	if !there || value == nil {
		return "", nil
	}
	s, ok := value.(string)
	if !ok || len(s) > maxText {
		return "", untrusted("the claim %s is no text, or longer than %d bytes", name, maxText)
	}
	return s, nil
}

// groups gives a list of names, or one name.
func groups(all map[string]any, name string) ([]string, error) {
	switch value := all[name].(type) {
	case nil:
		return nil, nil
	case string:
		return []string{value}, nil
	case []any:
		var list []string
		for _, one := range value {
			group, ok := one.(string)
			if !ok || len(group) > maxText || len(list) >= mostGroups {
				return nil, untrusted("the claim %s is no list of at most %d names", name, mostGroups)
			}
			list = append(list, group)
		}
		return list, nil
	}
	return nil, untrusted("the claim %s is no list of names", name)
}
