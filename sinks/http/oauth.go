package http

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"golang.org/x/oauth2"
	"golang.org/x/oauth2/clientcredentials"

	"weighpost/parsers/strict"
	"weighpost/sinks"
)

// OAuth is the authorization server that gives tokens (RFC 6749 section 4.4, client credentials).
type OAuth struct {
	TokenURL string        `yaml:"token_url" desc:"Where tokens are asked for: https://host/path."`
	Client   string        `yaml:"client" desc:"Under which name the authorization server knows weighpost."`
	Secret   strict.Secret `yaml:"secret" desc:"Where the secret that goes with it is kept: file:/path or env:NAME."`
	Scopes   []string      `yaml:"scopes" desc:"What the token is to allow, as the authorization server names it."`
	Audience string        `yaml:"audience" desc:"For whom the token is to be, where the authorization server asks for that."`
	InBody   bool          `yaml:"in_body" desc:"Send name and secret in the body of the request, as some authorization servers want, and not by basic authentication." default:"false"`
}

func (o *OAuth) asked() bool {
	return o.TokenURL != "" || o.Client != "" || !o.Secret.IsZero() || len(o.Scopes) > 0 || o.Audience != "" || o.InBody
}

// check adds every fault to r. The secret never goes over a network without TLS (RFC 6749 section 3.2), whatever insecure says.
func (o *OAuth) check(r *strict.Report) {
	if !o.asked() {
		return
	}
	const allowed = "https://host/path, or http://localhost/path on this machine"
	u, err := url.Parse(o.TokenURL)
	switch at := r.At("token_url"); {
	case o.TokenURL == "":
		at.Fault("the address for tokens is missing", allowed)
	case err != nil || u.Hostname() == "" || u.Scheme != "https" && u.Scheme != "http":
		at.Fault("is no address for tokens", allowed)
	case u.User != nil || u.Fragment != "":
		at.Fault("holds a user name, a password or a part after #", allowed)
	case u.Scheme == "http" && !loopback(u.Hostname()):
		at.Fault(fmt.Sprintf("the secret would go to %s without encryption (RFC 6749 section 3.2 wants TLS)", u.Host), allowed)
	}
	if o.Client == "" {
		r.At("client").Fault("the name for the authorization server is missing", "the name that it gave")
	}
	if o.Secret.IsZero() {
		r.At("secret").Fault("the secret for the authorization server is missing", "file:/path or env:NAME")
	}
	for i, scope := range o.Scopes {
		// RFC 6749 section 3.3: %x21 / %x23-5B / %x5D-7E
		if scope == "" || strings.ContainsFunc(scope, func(c rune) bool { return c <= ' ' || c > '~' || c == '"' || c == '\\' }) {
			r.At("scopes").Index(i).Fault(fmt.Sprintf("%.40q is no scope", scope), `printable ASCII without blank, " and \`)
		}
	}
}

// token gives the one that is held, or asks for one.
func (s *Sink) token(ctx context.Context) (string, error) {
	if s.held.Valid() { // which leaves ten seconds
		return s.held.AccessToken, nil
	}
	s.held = nil
	o := &s.cfg.OAuth
	secret, err := o.Secret.Resolve()
	if err != nil {
		return "", sinks.Unusable{Err: err}
	}
	ctx, cancel := context.WithTimeout(context.WithValue(ctx, oauth2.HTTPClient, s.client), s.cfg.Timeout.D())
	defer cancel()
	from := clientcredentials.Config{ClientID: o.Client, ClientSecret: string(secret), TokenURL: o.TokenURL, Scopes: o.Scopes, AuthStyle: oauth2.AuthStyleInHeader}
	if o.InBody {
		from.AuthStyle = oauth2.AuthStyleInParams
	}
	if o.Audience != "" {
		from.EndpointParams = url.Values{"audience": {o.Audience}}
	}
	token, err := from.Token(ctx)
	if err != nil {
		return "", s.noToken(err)
	}
	switch {
	case !strings.EqualFold(token.Type(), "Bearer"):
		return "", sinks.Unusable{Err: fmt.Errorf("the authorization server gave a token of the type %s, which is no bearer token (RFC 6750)", quoted(token.TokenType))}
	case strings.ContainsFunc(token.AccessToken, func(c rune) bool { return c <= ' ' || c > '~' }):
		return "", sinks.Unusable{Err: errors.New("the authorization server gave a token that no header can carry")}
	}
	s.held = token
	return token.AccessToken, nil
}

// noToken says what it means that there is no token. What the server said is shown without what it may repeat of ours.
func (s *Sink) noToken(err error) error {
	var told *oauth2.RetrieveError
	if !errors.As(err, &told) || told.Response == nil {
		var outer *url.Error
		if errors.As(err, &outer) {
			return s.unanswered(fmt.Errorf("the authorization server: %w", outer.Err))
		}
		return fmt.Errorf("the authorization server gave no token: %.200q", err.Error())
	}
	status := told.Response.StatusCode
	said := fmt.Errorf("the authorization server answered %d %s", status, http.StatusText(status))
	if slices.Contains(tokenErrors, told.ErrorCode) {
		said = fmt.Errorf("%w: %s", said, told.ErrorCode)
	}
	switch {
	case status == http.StatusRequestTimeout, status == http.StatusTooEarly, status == http.StatusTooManyRequests, status >= 500:
		return later(told.Response.Header, said)
	}
	return sinks.Unusable{Err: fmt.Errorf("%w: check token_url, client, secret and scopes under oauth", said)}
}

// tokenErrors are what RFC 6749 section 5.2 has an authorization server say.
var tokenErrors = []string{"invalid_request", "invalid_client", "invalid_grant", "unauthorized_client", "unsupported_grant_type", "invalid_scope"}

func quoted(text string) string { return fmt.Sprintf("%.40q", text) }
