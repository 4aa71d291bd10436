package access

import (
	"context"
	"errors"
	"fmt"
	"net/url"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// signing is what somebody wants to sign, and by which session.
type signing struct {
	who  rights.Who
	in   rights.Signing
	what any // for whoever began it
}

// AsksToSign says what somebody has to show to sign now.
func (b *Book) AsksToSign(who rights.Who) rights.AsksToSign {
	a, s, err := b.signer(who)
	if err != nil {
		return rights.AsksToSign{Both: true, Not: err.Error()}
	}
	asks := rights.AsksToSign{Both: b.asksBoth(s)}
	if p := b.provider(); p != nil && a.Source == p.Source() {
		asks.Provider = p.Source()
	}
	return asks
}

// signer gives the account and the session of somebody who wants to sign.
func (b *Book) signer(who rights.Who) (*account, session.Session, error) {
	s, lasts := b.sessions.Lasting(who.Session)
	a := b.person(who.Person)
	switch {
	case who.Person == "" || who.Session == "":
		return nil, s, refuse("only somebody who is signed in with an account of their own can sign")
	case !lasts || a == nil || s.Person != a.ID:
		return nil, s, rights.ErrNoSession
	}
	if err := b.usable(a); err != nil {
		return nil, s, err
	}
	return a, s, nil
}

// asksBoth says whether id and secret are asked for: at the first signature of a session, after a pause, and always where a badge signed
// in, which is no part of an identity here (21 CFR 11.200(a)(1)(i) and (ii)).
func (b *Book) asksBoth(s session.Session) bool {
	return s.Way == record.ActorBadge || s.Way == record.ActorBadgePIN || !b.signings.lasts(s.ID, b.o.Now(), b.o.Config().SignsFor())
}

// Sign says who signs, once they have shown it by id and secret, or within a continuous period by the secret. It records nothing but an
// attempt that failed, which is an entry and a condition at once. Errors: *rights.Refused, rights.ErrWrong, *rights.Throttled,
// rights.ErrNoSession; secret.ErrBusy.
func (b *Book) Sign(ctx context.Context, who rights.Who, in rights.Signing) (rights.Signed, error) {
	a, s, err := b.signer(who)
	if err != nil {
		return rights.Signed{}, err
	}
	switch {
	case a.Source != localSource && a.Source != DirectorySource:
		return rights.Signed{}, refuse("%s signs by showing anew at %s who they are: there is no secret of theirs here", a.ID, a.Source)
	case in.Secret == "":
		return rights.Signed{}, refuse("to sign, give your secret: nothing is signed without it")
	case in.Login == "" && b.asksBoth(s):
		return rights.Signed{}, refuse("to sign, give your id and your secret: this is the first signature since you signed in here, or the last was too long ago")
	}
	f := from{way: record.ActorPassword, login: a.ID, address: in.Address, where: who.Actor.Where, balance: s.Balance}
	if a.Source == DirectorySource {
		f.way = record.ActorDirectory
	}
	y, err := b.throttle.Begin(secret.Attempt{Way: secret.Password, Account: a.ID, Known: true, Address: in.Address})
	if err != nil {
		return rights.Signed{}, b.blocked(f, a, err)
	}
	p := b.judgeSigning(ctx, in, a)
	if now := b.person(a.ID); p.by != "" && (now == nil || b.usable(now) != nil || p.holds != nil && !p.holds(now)) {
		p = proof{why: "the account or its secret changed in this very moment"}
	}
	return b.signed(ctx, &signing{who: who, in: in}, a, y, p)
}

// judgeSigning holds what was shown against the account. Nobody signs as another, whoever's secret they know (21 CFR 11.200(a)(2)), and what
// an administrator has reset signs nothing (11.200(a)(3)).
func (b *Book) judgeSigning(ctx context.Context, in rights.Signing, a *account) proof {
	if in.Login != "" {
		if named := b.named(in.Login); named == nil || named.ID != a.ID {
			return proof{why: "the id that was given is not that of whoever is signed in"}
		}
	}
	if a.Source == DirectorySource {
		return b.freshly(ctx, in.Secret, a)
	}
	p := b.bySecret(ctx, in.Secret, a)
	if p.must {
		return proof{why: "the secret was reset or has expired, and can only be used to choose another"}
	}
	return p
}

// freshly asks the directory at this moment. What it said before counts for nothing: where it cannot be asked nobody of it signs.
func (b *Book) freshly(ctx context.Context, given string, a *account) proof {
	d := b.directory()
	if d == nil {
		return proof{err: refuse("there is no directory that could say who %s is, so they cannot sign", a.ID)}
	}
	login := a.ID
	if a.Login != "" {
		login = a.Login
	}
	found, err := d.Authenticate(ctx, login, given)
	var down *outside.Unavailable
	var refused *outside.Refused
	switch {
	case errors.Is(err, outside.ErrWrong):
		return proof{why: "the directory says: " + err.Error()}
	case errors.As(err, &refused):
		b.refusedThere(a, refused)
		return proof{why: "the directory does not let this account in"}
	case errors.As(err, &down):
		return proof{err: refuse("the directory does not answer, so nobody whose account it keeps can sign now: try again later")}
	case err != nil:
		return proof{err: err}
	case found.Immutable != a.Immutable || found.Source != a.Source:
		return proof{why: "the directory knows another person by this login"}
	}
	return b.admitted(ctx, found, b.o.Config().Directory.RolesOf(found.Groups), record.ActorDirectory)
}

// admitted takes over what the other side says of name and roles.
func (b *Book) admitted(ctx context.Context, found outside.Found, roles []string, by string) proof {
	a, err := b.admit(ctx, found, roles)
	var refused *rights.Refused
	switch {
	case errors.As(err, &refused):
		return proof{why: refused.Why}
	case err != nil:
		return proof{err: err}
	}
	return proof{account: a, by: by}
}

// signed counts an attempt, and says who signs.
func (b *Book) signed(ctx context.Context, g *signing, a *account, y *secret.Try, p proof) (rights.Signed, error) {
	switch {
	case p.err != nil:
		y.Void()
		return rights.Signed{}, p.err
	case p.by == "":
		locked, _ := y.Wrong()
		b.notSigned(ctx, g, a, p.why)
		if locked {
			b.lockedNow(ctx, a, secret.Password)
		}
		return rights.Signed{}, rights.ErrWrong
	}
	y.Right()
	out := rights.Signed{Login: a.ID, How: record.ShownSecret, Directory: p.by == record.ActorDirectory}
	if g.in.Login != "" {
		out.Login, out.How = g.in.Login, record.ShownBoth
	}
	return b.shown(g, p.account, out)
}

// shown fills in who signs, if their session still lasts, and begins or goes on with their continuous period.
func (b *Book) shown(g *signing, a *account, out rights.Signed) (rights.Signed, error) {
	s, lasts := b.sessions.Lasting(g.who.Session)
	if !lasts || s.Person != a.ID {
		return rights.Signed{}, rights.ErrNoSession
	}
	out.Who = b.who(a, s, g.who.Actor.Where)
	out.Who.Actor.Request = g.who.Actor.Request
	b.signings.signed(s.ID, b.o.Now())
	b.tell()
	return out, nil
}

// notSigned makes an attempt that failed an entry and a condition at once (21 CFR 11.300(d)). The throttle keeps them few.
func (b *Book) notSigned(ctx context.Context, g *signing, a *account, why string) {
	b.signings.refused(a.ID, fmt.Sprintf("%s (%s)", a.ID, a.Name), g.in.Run.ID, why, b.o.Now())
	b.o.Log.Warn("somebody tried to sign and did not show who they are", "person", a.ID, "run", g.in.Run.ID, "why", why)
	_, err := b.change(context.WithoutCancel(ctx), func(_ *state, at record.Stamp) ([]record.Body, error) {
		return one(&record.SignatureRefused{Run: g.in.Run, Balance: g.in.Balance, Meaning: g.in.Meaning, Why: harmless(why), By: g.who.Actor, Stamp: at}), nil
	}, nil)
	b.warn(ctx, err)
	b.tell()
}

// BeginSigning says where to send the browser of somebody whose account a provider keeps, to show there anew who they are, and the state
// that it must bring back. what is given back by FinishSigning; it stays on this side.
func (b *Book) BeginSigning(ctx context.Context, who rights.Who, redirect string, in rights.Signing, what any) (to, state string, err error) {
	a, _, err := b.signer(who)
	if err != nil {
		return "", "", err
	}
	provider := b.provider()
	if provider == nil || a.Source != provider.Source() {
		return "", "", refuse("no provider keeps the account %s: sign with your id and your secret", a.ID)
	}
	to, begun, err := provider.Begin(ctx, redirect, true)
	var down *outside.Unavailable
	switch {
	case errors.As(err, &down):
		return "", "", refuse("the provider does not answer, so nobody whose account it keeps can sign now: try again later")
	case err != nil:
		return "", "", err
	}
	b.flows.keep(flow{Flow: begun, signing: &signing{who: who, in: in, what: what}}, b.o.Now())
	return to, begun.State, nil
}

// SignsBy says whether something is to be signed when a browser comes back from the provider with this state; false: a session begins.
func (b *Book) SignsBy(state string) bool { return b.flows.signs(state) }

// FinishSigning says who signs who comes back from the provider with this query, and what was kept for it. The session that began it may
// not have ended; the provider has had them show anew who they are; and it is the same person. Errors are those of Sign. What is given
// back with an error too, where there is one, so that a browser can be told where to go on.
func (b *Book) FinishSigning(ctx context.Context, query url.Values) (rights.Signed, any, error) {
	provider := b.provider()
	if provider == nil {
		return rights.Signed{}, nil, errNoProvider
	}
	begun, there := b.flows.use(query.Get("state"), b.o.Now())
	if !there || begun.signing == nil {
		return rights.Signed{}, nil, refuse("this signature was not begun here, took longer than ten minutes, or was used already: begin anew")
	}
	g := begun.signing
	a, _, err := b.signer(g.who)
	if err != nil {
		return rights.Signed{}, g.what, err
	}
	found, err := provider.Finish(ctx, begun.Flow, query)
	if err != nil {
		return rights.Signed{}, g.what, b.notShown(ctx, g, a, err)
	}
	if found.Source != a.Source || found.Immutable != a.Immutable {
		b.notSigned(ctx, g, a, "another person showed who they are at the provider")
		return rights.Signed{}, g.what, rights.ErrWrong
	}
	var roles []string
	if b.o.RolesOf != nil {
		roles = b.o.RolesOf(found.Source, found.Groups)
	}
	p := b.admitted(ctx, found, roles, record.ActorOpenID)
	switch {
	case p.err != nil:
		return rights.Signed{}, g.what, p.err
	case p.by == "":
		b.notSigned(ctx, g, a, p.why)
		return rights.Signed{}, g.what, rights.ErrWrong
	}
	out, err := b.shown(g, p.account, rights.Signed{Login: found.Login, How: record.ShownOpenID})
	return out, g.what, err
}

// notShown says why nobody signs where the provider did not say who it is.
func (b *Book) notShown(ctx context.Context, g *signing, a *account, err error) error {
	var down *outside.Unavailable
	var refused *outside.Refused
	switch {
	case errors.As(err, &down):
		return refuse("the provider does not answer, so nobody whose account it keeps can sign now: try again later")
	case errors.As(err, &refused):
		b.notSigned(ctx, g, a, refused.Why)
		return refuse("nothing was signed: %s", refused.Why)
	}
	b.notSigned(ctx, g, a, err.Error())
	return refuse("what the provider answered cannot be trusted, so nothing was signed: ask whoever looks after the accounts")
}
