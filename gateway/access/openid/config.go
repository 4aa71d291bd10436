package openid

import (
	"cmp"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"

	"weighpost/parsers/strict"
)

// Config is how people sign in at a provider, as a person writes it. Without an issuer there is no provider.
type Config struct {
	Issuer       string          `yaml:"issuer" desc:"Address of the provider, exactly as it names itself: https://host or https://host/path. Left out: there is no provider."`
	ClientID     string          `yaml:"client_id" desc:"What the provider knows weighpost by."`
	ClientSecret strict.Secret   `yaml:"client_secret" desc:"Where the secret is kept with which weighpost shows the provider who it is: file:/path or env:NAME. Left out: the provider knows it as a public client."`
	CA           string          `yaml:"ca" desc:"PEM file of the authorities that may vouch for the provider; those of the system if not given."`
	Scopes       []string        `yaml:"scopes" desc:"What is asked for beside openid: what the provider needs for telling logins and groups. Left out: profile."`
	Claims       Claims          `yaml:"claims" desc:"Which claims tell what. Who somebody is, the claim sub tells alone."`
	Groups       []GroupRoles    `yaml:"groups" desc:"Which roles a group gives. A person has those of all their groups."`
	Algorithms   []string        `yaml:"algorithms" desc:"With which algorithms the provider may sign: RS256, RS384, RS512, PS256, PS384, PS512, ES256, ES384, ES512, EdDSA. Left out: RS256, PS256, ES256 and EdDSA."`
	Skew         strict.Duration `yaml:"skew" desc:"By how much the provider's clock may differ from this computer's, 1s to 5m." default:"1m"`
	Timeout      strict.Duration `yaml:"timeout" desc:"How long one question to the provider may take, 500ms to 1m." default:"10s"`
}

// Claims are names of claims.
type Claims struct {
	Login  string `yaml:"login" desc:"Claim with the login, which becomes the id of the account at the first sign-in." default:"preferred_username"`
	Name   string `yaml:"name" desc:"Claim with the printed name." default:"name"`
	Groups string `yaml:"groups" desc:"Claim with the groups: a list of names, or one name." default:"groups"`
}

// GroupRoles are the roles of those in a group.
type GroupRoles struct {
	Group string   `yaml:"group" desc:"The group, as the claim names it."`
	Roles []string `yaml:"roles" desc:"Names of roles."`
}

const (
	issuerAllowed = "https://host or https://host/path, exactly as the provider names itself"
	mostGroups    = 1000
)

// algorithms are those that may be asked for: with public keys only. none and those with a shared secret are never taken, since
// a public key must not be good as a secret (RFC 8725, sections 3.1 and 3.2).
var algorithms = []string{oidc.RS256, oidc.RS384, oidc.RS512, oidc.PS256, oidc.PS384, oidc.PS512, oidc.ES256, oidc.ES384, oidc.ES512, oidc.EdDSA}

// Configured says whether there is a provider.
func (c Config) Configured() bool { return c.Issuer != "" }

// RolesOf gives the roles of whoever is in these groups.
func (c Config) RolesOf(groups []string) []string {
	var roles []string
	for _, g := range c.Groups {
		if slices.Contains(groups, g.Group) {
			roles = append(roles, g.Roles...)
		}
	}
	slices.Sort(roles)
	return slices.Compact(roles)
}

// filled gives the configuration with its defaults.
func (c Config) filled() Config {
	c.Claims.Login = cmp.Or(c.Claims.Login, "preferred_username")
	c.Claims.Name = cmp.Or(c.Claims.Name, "name")
	c.Claims.Groups = cmp.Or(c.Claims.Groups, "groups")
	c.Skew = cmp.Or(c.Skew, strict.Duration(time.Minute))
	c.Timeout = cmp.Or(c.Timeout, strict.Duration(10*time.Second))
	if c.Scopes == nil {
		c.Scopes = []string{oidc.ScopeProfile}
	}
	if len(c.Algorithms) == 0 {
		c.Algorithms = []string{oidc.RS256, oidc.PS256, oidc.ES256, oidc.EdDSA}
	}
	return c
}

// Check adds every fault of the configuration to r. It does not look at files or the network.
func (c *Config) Check(r *strict.Report) {
	if !c.Configured() {
		if r.Written() {
			r.At("issuer").Fault("is missing: without it there is no provider", issuerAllowed)
		}
		return
	}
	c.checkIssuer(r)
	if c.ClientID == "" {
		r.At("client_id").Fault("is missing: the provider answers nobody without it", "what the provider knows weighpost by")
	}
	for i, scope := range c.Scopes {
		if !isScope(scope) {
			r.At("scopes").Index(i).Fault(fmt.Sprintf("%.40q is no scope (RFC 6749, section 3.3)", scope), "one word, such as profile")
		}
	}
	if slices.Contains([]string{"email", "email_verified"}, c.Claims.Login) {
		r.At("claims").At("login").Fault("names an address, which passes from one person to another: nobody is known by it",
			"a claim with a login that stays a person's, such as preferred_username")
	}
	for i, name := range c.Algorithms {
		if !slices.Contains(algorithms, name) {
			r.At("algorithms").Index(i).Fault(fmt.Sprintf("%.20q is no algorithm with public keys, and others are never taken", name), strings.Join(algorithms, ", "))
		}
	}
	c.checkGroups(r.At("groups"))
	within(r.At("skew"), c.Skew, time.Second, 5*time.Minute, "1s to 5m")
	within(r.At("timeout"), c.Timeout, 500*time.Millisecond, time.Minute, "500ms to 1m")
}

func (c *Config) checkIssuer(r *strict.Report) {
	u, err := url.Parse(c.Issuer)
	at := r.At("issuer")
	switch {
	case err != nil:
		at.Fault("is no URL", issuerAllowed)
		return
	case u.User != nil, u.RawQuery != "", u.Fragment != "", strings.ContainsAny(c.Issuer, "?# "):
		at.Fault("has a user, a query or a fragment, which an issuer never has (OpenID Connect Discovery 1.0, section 3)", issuerAllowed)
	case !allowed(u, true):
		at.Fault(fmt.Sprintf("%.80q has no TLS: anyone on the way could sign in as anybody", c.Issuer), issuerAllowed)
	}
	if u.Scheme == "http" && c.CA != "" {
		r.At("ca").Fault("is given, but the connection has no TLS", issuerAllowed)
	}
	if c.CA != "" && !filepath.IsAbs(c.CA) {
		r.At("ca").Fault(fmt.Sprintf("%.60q is not absolute; the daemon does not run in this folder", c.CA), "/absolute/path.pem")
	}
}

func (c *Config) checkGroups(r *strict.Report) {
	if len(c.Groups) == 0 {
		r.Note("no group gives a role, so that nobody who comes from the provider may do anything")
	}
	if len(c.Groups) > mostGroups {
		r.Fault(fmt.Sprintf("names %d groups", len(c.Groups)), fmt.Sprintf("at most %d", mostGroups))
	}
	for i, g := range c.Groups {
		if g.Group == "" {
			r.Index(i).At("group").Fault("is missing", "the group, as the claim names it")
		}
		if len(g.Roles) == 0 {
			r.Index(i).At("roles").Fault("is missing: the group would give nothing", "a list of names of roles")
		}
	}
}

// within holds a length of time that is written to its range.
func within(r *strict.Report, d strict.Duration, least, most time.Duration, allowed string) {
	if (d != 0 || r.Written()) && (d.D() < least || d.D() > most) {
		r.Fault(d.String()+" is out of range", allowed)
	}
}

// isScope says whether a text is one scope (RFC 6749, section 3.3).
func isScope(text string) bool {
	return text != "" && len(text) < 100 && !strings.ContainsFunc(text, func(c rune) bool { return c <= ' ' || c > '~' || c == '"' || c == '\\' })
}

// allowed says whether an address may be asked: with TLS, or without on this computer where that is so of the issuer too.
func allowed(u *url.URL, plain bool) bool {
	if u.Hostname() == "" || u.User != nil {
		return false
	}
	return u.Scheme == "https" || u.Scheme == "http" && plain && loopback(u.Hostname())
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}
