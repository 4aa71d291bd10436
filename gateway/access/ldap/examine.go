package ldap

import (
	"cmp"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"weighpost/gateway/access/outside"
)

// Finding is one thing that was found when the directory was tried out, as a sentence.
type Finding struct {
	About    string `json:"about"` // connection, tls, account, person, secret, groups, roles
	Fine     bool   `json:"fine"`
	Sentence string `json:"sentence"`
}

// Examination is what was found, in the order in which it was tried, up to the first that is not fine.
type Examination struct {
	Address  string         `json:"address"`
	Login    string         `json:"login"`
	Findings []Finding      `json:"findings"`
	Found    *outside.Found `json:"found,omitempty"` // the person, as a sign-in would have them
	Groups   []string       `json:"groups,omitempty"`
	Roles    []string       `json:"roles,omitempty"`
}

// Fine says whether everything was.
func (e *Examination) Fine() bool {
	for _, f := range e.Findings {
		if !f.Fine {
			return false
		}
	}
	return len(e.Findings) > 0
}

func (e *Examination) say(about, format string, a ...any) {
	e.Findings = append(e.Findings, Finding{About: about, Fine: true, Sentence: fmt.Sprintf(format, a...)})
}

func (e *Examination) stop(about string, err error) {
	e.Findings = append(e.Findings, Finding{About: about, Sentence: sentenceOf(err)})
}

// sentenceOf is an error as a sentence of its own.
func sentenceOf(err error) string {
	text := strings.TrimPrefix(err.Error(), outside.ErrWrong.Error()+": ")
	return strings.ToUpper(text[:min(1, len(text))]) + text[min(1, len(text)):] + "."
}

// Examine tries a configuration out with somebody's login, step by step. Without a secret nobody signs in, and a configuration
// by which people look themselves up goes no further than the connection.
func Examine(ctx context.Context, cfg Config, login, secret string) *Examination {
	cfg = cfg.filled()
	e := &Examination{Login: login}
	if u, err := url.Parse(cfg.URL); err == nil {
		e.Address = u.Host
	}
	ctx, cancel := context.WithTimeout(ctx, cfg.Timeout.D())
	defer cancel()
	about := "connection"
	if err := guard(ctx, cfg, func(ctx context.Context, cfg Config) error { return e.steps(ctx, cfg, secret, &about) }); err != nil {
		var away *outside.Unavailable
		if errors.As(err, &away) {
			err = away.Err
		}
		e.stop(about, plain(err))
	}
	return e
}

// steps goes as far as it can. about says which step an error belongs to.
func (e *Examination) steps(ctx context.Context, cfg Config, secret string, about *string) error {
	l, err := open(ctx, cfg)
	if err != nil {
		return err
	}
	defer l.close()
	e.say("connection", "The directory at %s accepts connections.", e.Address)
	*about = "tls"
	e.encryption(l)
	*about = "person"
	if why := unfit(e.Login); why != "" {
		return wrong(why)
	}
	p, err := e.person(ctx, cfg, l, secret, about)
	if err != nil || p == nil {
		return err
	}
	if p.barred != "" {
		*about = "person"
		return refused(p.barred, true)
	}
	*about = "groups"
	return e.groups(cfg, l, *p)
}

// person finds somebody and has their secret judged, in the order of the configuration's way. It gives nil where no more can be
// found out.
func (e *Examination) person(ctx context.Context, cfg Config, l *link, secret string, about *string) (*person, error) {
	if cfg.UserDN != "" {
		*about = "secret"
		if secret == "" {
			e.say("person", "People look themselves up here: with their secret this would go on (--secret).")
			return nil, nil
		}
		found, err := asThemselves(ctx, cfg, e.Login, secret)
		if err != nil {
			return nil, err
		}
		e.say("secret", "The directory takes the secret.")
		e.Found = &found
		e.known(found.Name, found.Login, found.Immutable)
		e.roles(cfg)
		return nil, nil
	}
	*about = "account"
	if err := l.bindService(); err != nil {
		return nil, err
	}
	e.say("account", "It lets the account %s in, which looks people up.", cfg.BindDN)
	*about = "person"
	p, err := l.findLogin(e.Login)
	if err != nil {
		return nil, err
	}
	e.known(p.name, p.login, p.id)
	e.say("person", "Their entry is %s.", p.dn)
	if secret == "" {
		return &p, nil
	}
	*about = "secret"
	if why := unfitSecret(secret); why != "" {
		return nil, wrong(why)
	}
	if err := judge(ctx, cfg, p.dn, secret); err != nil {
		return nil, err
	}
	e.say("secret", "The directory takes the secret.")
	return &p, nil
}

func (e *Examination) known(name, login, id string) {
	e.say("person", "It knows %s as %s, by the id %s, which stays the same.", login, name, id)
}

func (e *Examination) encryption(l *link) {
	if l.tls == nil {
		e.say("tls", "Nothing is encrypted: secrets go to the directory in clear.")
		return
	}
	certificate := l.tls.PeerCertificates[0]
	e.say("tls", "The connection is encrypted (%s). The certificate of %s was made by %s and is good until %s.", tls.VersionName(l.tls.Version),
		cmp.Or(strings.Join(certificate.DNSNames, ", "), certificate.Subject.String()), certificate.Issuer, certificate.NotAfter.UTC().Format(time.DateOnly))
}

func (e *Examination) groups(cfg Config, l *link, p person) error {
	if cfg.Groups.Base == "" {
		e.say("groups", "No groups are configured (groups.base): the directory gives nobody a role.")
		return nil
	}
	dns, err := l.groups(p)
	if err != nil {
		return err
	}
	e.Groups = dns
	switch len(dns) {
	case 0:
		e.say("groups", "They are in no group below %s.", cfg.Groups.Base)
	default:
		e.say("groups", "Below %s they are in these groups, those within groups included: %s.", cfg.Groups.Base, list(dns))
	}
	e.Found = &outside.Found{Source: source, Immutable: p.id, Login: p.login, Name: p.name, Groups: cfg.named(dns), At: time.Now()}
	e.roles(cfg)
	return nil
}

func (e *Examination) roles(cfg Config) {
	e.Roles = cfg.RolesOf(e.Found.Groups)
	if len(e.Roles) == 0 {
		e.Findings = append(e.Findings, Finding{About: "roles", Sentence: "None of the groups gives a role (groups.roles): they could not sign in."})
		return
	}
	e.say("roles", "That gives them the roles %s.", strings.Join(e.Roles, ", "))
}

// list is the first of a list's texts, and how many more there are.
func list(texts []string) string {
	const most = 20
	if len(texts) > most {
		return strings.Join(texts[:most], "; ") + fmt.Sprintf("; and %d more", len(texts)-most)
	}
	return strings.Join(texts, "; ")
}
