// Package openid signs people in at a provider, by the authorization code flow of OpenID Connect Core 1.0 with PKCE (RFC 7636,
// S256), state and nonce. It owns what is asked of the provider and every doubt about its answers: nothing that a browser or a
// provider hands over is believed before its signature, issuer, audience, times and nonce were held against what was asked for.
//
// A person is known by issuer and the claim sub, which is never given to another (Core, section 2); a login, a name or an address
// is never who somebody is. Where a sign-in has to be fresh, max_age=0 asks for it and auth_time has to show it: without that the
// provider may answer by a sign-in of yesterday (Core, sections 3.1.2.1 and 3.1.3.7).
//
// What the provider says of itself is kept for an hour, and its keys with it: a key that it withdraws is good for no longer.
package openid

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/health"
)

// Source is what accounts that come from the provider are marked with.
const Source = "openid"

const (
	// keptFor is how long what the provider says of itself holds, and goodFor how long while it does not answer.
	keptFor = time.Hour
	goodFor = 24 * time.Hour
	// lookEvery is how often a provider is asked again that did not answer.
	lookEvery = time.Minute
)

// Board is where conditions are shown.
type Board interface {
	Raise(health.Condition)
	Clear(code, subject string)
}

// Options are what a Provider needs.
type Options struct {
	Config func() Config // as it is now: a reload takes effect with the next question
	Board  Board         // nil: nobody is told
	Log    *slog.Logger  // nil: nothing is logged
	Now    func() time.Time
}

// Provider asks a provider. Its methods may be called from any goroutine.
type Provider struct {
	options Options
	asking  chan struct{} // holds a token while somebody asks what the provider says of itself

	mu    sync.Mutex
	known *known // nil: nothing yet
}

var _ outside.Provider = (*Provider)(nil)

// known is what the provider said of itself, for one configuration.
type known struct {
	cfg      Config
	at       time.Time
	client   *http.Client // that asks this provider
	provider *oidc.Provider
	keys     *oidc.RemoteKeySet
	oauth    oauth2.Config // without the secret, which is read when it is needed
	namesIss bool          // its answers name the issuer (RFC 9207)
}

// New makes a Provider. It asks nothing yet.
func New(o Options) *Provider {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	return &Provider{options: o, asking: make(chan struct{}, 1)}
}

// Source is what accounts that come from the provider are marked with.
func (p *Provider) Source() string { return Source }

// Run asks the provider about itself now and then until ctx ends, so that an outage is known before somebody wants to sign in,
// and its end too.
func (p *Provider) Run(ctx context.Context) {
	for {
		pause := lookEvery
		if p.options.Config().Configured() {
			if _, err := p.discover(ctx, keptFor, goodFor); err == nil {
				pause = keptFor / 4
			}
		} else if p.options.Board != nil {
			p.options.Board.Clear(health.ProviderUnavailable, "provider")
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		}
	}
}

// Begin says where to send the browser, and what to keep until it comes back to redirect. fresh: whoever signs in there has to
// show anew who they are, and the provider has to answer now. The error is an *outside.Unavailable.
func (p *Provider) Begin(ctx context.Context, redirect string, fresh bool) (string, outside.Flow, error) {
	if u, err := url.Parse(redirect); err != nil || !allowed(u, true) || u.Fragment != "" {
		return "", outside.Flow{}, fmt.Errorf("%.80q is no address of this page that a browser may be sent back to", redirect)
	}
	kept, good := keptFor, goodFor
	if fresh {
		kept, good = 0, 0 // it is asked now: a browser that is sent to a provider that is not there would never come back with a sentence
	}
	k, err := p.discover(ctx, kept, good)
	if err != nil {
		return "", outside.Flow{}, p.unavailable(err)
	}
	flow := outside.Flow{State: oauth2.GenerateVerifier(), Nonce: oauth2.GenerateVerifier(), Verifier: oauth2.GenerateVerifier(),
		Redirect: redirect, When: p.options.Now(), Fresh: fresh} // each of 256 random bits
	options := []oauth2.AuthCodeOption{oidc.Nonce(flow.Nonce), oauth2.S256ChallengeOption(flow.Verifier)}
	if fresh {
		options = append(options, oauth2.SetAuthURLParam("max_age", "0"), oauth2.SetAuthURLParam("prompt", "login"))
	}
	oauth := k.oauth
	oauth.RedirectURL = redirect
	return oauth.AuthCodeURL(flow.State, options...), flow, nil
}

// unavailable tells the board too.
func (p *Provider) unavailable(err error) error {
	p.options.Log.Warn("the OpenID provider", "err", err)
	return &outside.Unavailable{Err: err}
}

// discover gives what the provider says of itself: without asking where that is younger than kept, and where it does not answer, what is
// younger than good.
func (p *Provider) discover(ctx context.Context, kept, good time.Duration) (*known, error) {
	cfg := p.options.Config().filled()
	if k := p.fresh(cfg, kept); k != nil {
		return k, nil
	}
	select {
	case p.asking <- struct{}{}:
		defer func() { <-p.asking }()
	case <-ctx.Done():
		return nil, fmt.Errorf("the provider has not answered in time: %w", ctx.Err())
	}
	if k := p.fresh(cfg, kept); k != nil {
		return k, nil // somebody else has asked meanwhile
	}
	ctx, cancel := context.WithTimeout(ctx, cfg.Timeout.D())
	defer cancel()
	k, err := ask(ctx, cfg, p.options.Now())
	p.tell(err)
	if err != nil {
		if old := p.fresh(cfg, good); old != nil {
			return old, nil
		}
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.known = k
	return k, nil
}

// fresh gives what is known of the provider of a configuration, where it is not older than that.
func (p *Provider) fresh(cfg Config, limit time.Duration) *known {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.known == nil || p.options.Now().Sub(p.known.at) > limit || !reflect.DeepEqual(p.known.cfg, cfg) {
		return nil
	}
	return p.known
}

// ask asks the provider about itself (OpenID Connect Discovery 1.0, section 4).
func ask(ctx context.Context, cfg Config, now time.Time) (*known, error) {
	client, err := cfg.client()
	if err != nil {
		return nil, err
	}
	provider, err := oidc.NewProvider(oidc.ClientContext(ctx, client), cfg.Issuer)
	var other *oidc.IssuerMismatchError
	switch {
	case errors.As(err, &other):
		return nil, fmt.Errorf("the provider names itself %.200q, and not %s: write the issuer exactly as it does", other.Discovered, cfg.Issuer)
	case err != nil:
		return nil, fmt.Errorf("the provider %s does not say how to ask it: %s", cfg.Issuer, brief(err))
	}
	var more struct {
		JWKS     string   `json:"jwks_uri"`
		Methods  []string `json:"token_endpoint_auth_methods_supported"`
		NamesIss bool     `json:"authorization_response_iss_parameter_supported"`
	}
	if err := provider.Claims(&more); err != nil {
		return nil, fmt.Errorf("what the provider says of itself cannot be read: %s", brief(err))
	}
	endpoint := provider.Endpoint()
	for what, address := range map[string]string{"sign-in": endpoint.AuthURL, "tokens": endpoint.TokenURL, "keys": more.JWKS, "people": provider.UserInfoEndpoint()} {
		u, err := url.Parse(address)
		if what == "people" && address == "" {
			continue
		}
		if err != nil || !allowed(u, strings.HasPrefix(cfg.Issuer, "http:")) {
			return nil, fmt.Errorf("the provider's address for %s, %.100q, has no TLS or is no address", what, address)
		}
	}
	endpoint.AuthStyle = styleOf(more.Methods, !cfg.ClientSecret.IsZero())
	lasting := oidc.ClientContext(context.WithoutCancel(ctx), client) // each question has the client's own limit of time
	return &known{cfg: cfg, at: now, client: client, provider: provider, keys: oidc.NewRemoteKeySet(lasting, more.JWKS), namesIss: more.NamesIss,
		oauth: oauth2.Config{ClientID: cfg.ClientID, Endpoint: endpoint, Scopes: append([]string{oidc.ScopeOpenID}, cfg.Scopes...)}}, nil
}

// styleOf says how to show the provider who asks: as it says that it takes it, else in the header (Discovery, section 3). Trying
// both would use up the code.
func styleOf(methods []string, secret bool) oauth2.AuthStyle {
	header := len(methods) == 0 || slices.Contains(methods, "client_secret_basic")
	if secret && header {
		return oauth2.AuthStyleInHeader
	}
	return oauth2.AuthStyleInParams
}

func (p *Provider) tell(err error) {
	if p.options.Board == nil {
		return
	}
	if err == nil {
		p.options.Board.Clear(health.ProviderUnavailable, "provider")
		return
	}
	cfg := p.options.Config()
	host := ""
	if u, err := url.Parse(cfg.Issuer); err == nil {
		host = u.Hostname()
	}
	sentence := brief(err)
	p.options.Board.Raise(health.Condition{Code: health.ProviderUnavailable, Subject: "provider", Severity: health.Warning,
		Sentence: "Nobody can sign in at the OpenID provider: " + sentence + ".",
		Remedy:   "Mend what the sentence names; it is asked again by itself. Local people can sign in meanwhile.", From: health.Through(host)})
}

// brief is an error of a library on one short line: those repeat whole answers of the provider.
func brief(err error) string {
	var wrapped *url.Error
	if errors.As(err, &wrapped) {
		err = fmt.Errorf("%s %s: %w", wrapped.Op, wrapped.URL, wrapped.Err)
	}
	return clean(err.Error(), 240)
}

// clean is a text from elsewhere on one line, without anything that steers a terminal or a page, and not too long.
func clean(text string, most int) string {
	text = strings.Map(func(c rune) rune {
		if c < ' ' || c > '~' {
			return '?'
		}
		return c
	}, text)
	if len(text) > most {
		text = text[:most] + "…"
	}
	return text
}
