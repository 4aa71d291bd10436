package access

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// proof is how an attempt to sign in went: who it is, where somebody showed that, and by what.
type proof struct {
	account *account // nil: nobody
	by      string   // of record.Actor
	must    bool     // the secret can only be used to choose another
	// holds says whether what was shown is still good when the session begins; nil: always. Comparing takes a while, in which a
	// secret may be reset and a badge ended.
	holds func(now *account) bool
	why   string // for the journal, where nothing was shown
	err   error  // anything else: nothing was compared, or it is refused
}

// from is where an attempt comes from.
type from struct{ way, login, address, where, balance string }

// SignIn signs somebody in by a login and a secret, which are held against the account here or, for people of a directory, by
// the directory. Errors: rights.ErrWrong, *rights.Throttled; *rights.Refused for those who showed who they are, and where a
// directory cannot be asked; secret.ErrBusy.
func (b *Book) SignIn(ctx context.Context, in rights.SignIn) (rights.Session, error) {
	f := from{way: record.ActorPassword, login: in.Login, address: in.Address, where: in.Where, balance: in.Balance}
	if err := b.bench(in.Balance); err != nil {
		return rights.Session{}, err
	}
	a := b.named(in.Login)
	if b.directory() != nil && (a == nil || a.Source == DirectorySource) {
		f.way = record.ActorDirectory
	}
	return b.try(ctx, f, a, secret.Password, func() proof {
		if f.way == record.ActorDirectory {
			return b.byDirectory(ctx, in.Login, in.Secret, a)
		}
		return b.bySecret(ctx, in.Secret, a)
	})
}

// bench refuses a sign-in at a balance that there is not.
func (b *Book) bench(balance string) error {
	if balance == "" || record.CheckName(balance) == nil && (b.o.HasBalance == nil || b.o.HasBalance(balance)) {
		return nil
	}
	return &rights.Refused{Why: "there is no balance with this id to sign in at"}
}

// named finds an account by an id or a login in any case; nil where there is none.
func (b *Book) named(login string) (found *account) {
	b.look(func(s *state) { found = s.personOf(login).copy() })
	return found
}

// try looks at an attempt, if it is to be looked at, counts it, and signs in whoever showed who they are.
func (b *Book) try(ctx context.Context, f from, a *account, way secret.Way, judge func() proof) (rights.Session, error) {
	attempt := secret.Attempt{Way: way, Account: fold(f.login), Address: f.address}
	if a != nil {
		attempt.Account, attempt.Known = a.ID, true
	}
	y, err := b.throttle.Begin(attempt)
	if err != nil {
		return rights.Session{}, b.blocked(f, a, err)
	}
	p := judge()
	switch {
	case p.err != nil:
		y.Void()
		var refused *rights.Refused
		if errors.As(p.err, &refused) {
			b.refused(f, p.account, refused.Why, false)
		}
		return rights.Session{}, p.err
	case p.by == "":
		locked, _ := y.Wrong()
		b.refused(f, a, p.why, locked)
		if locked {
			b.lockedNow(ctx, a, way)
		}
		return rights.Session{}, rights.ErrWrong
	}
	y.Right()
	if err := b.usable(p.account); err != nil {
		b.refused(f, p.account, err.Why, false)
		return rights.Session{}, err
	}
	return b.start(ctx, f, p)
}

// blocked says that an attempt is not looked at.
func (b *Book) blocked(f from, a *account, err error) error {
	var blocked *secret.Blocked
	if !errors.As(err, &blocked) {
		return err
	}
	b.refused(f, a, blocked.Error(), false)
	if blocked.After == 0 {
		return rights.ErrWrong // it is locked until somebody unlocks it: not for whoever tries to know
	}
	return &rights.Throttled{After: blocked.After}
}

// refused notes an attempt that failed. What was given as the login is noted only where somebody has it: people type secrets into
// the wrong field (OWASP, Logging Cheat Sheet, data to exclude).
func (b *Book) refused(f from, a *account, why string, locked bool) {
	k := refusal{balance: f.balance, address: f.address, way: f.way, why: why}
	if a != nil {
		k.login, k.person = a.ID, a.ID
		if a.Login != "" && fold(f.login) == fold(a.Login) {
			k.login = a.Login
		}
	}
	b.refusals.note(k, locked)
}

// lockedNow ends nothing and says it at once: entries and conditions go out through the sinks.
func (b *Book) lockedNow(ctx context.Context, a *account, way secret.Way) {
	if a == nil {
		return
	}
	b.o.Log.Warn("an account is locked after attempts that failed", "person", a.ID, "way", way)
	if locked, until := b.throttle.Locked(way, a.ID); locked && until.IsZero() && way == secret.Password {
		_, err := b.change(context.WithoutCancel(ctx), func(s *state, at record.Stamp) ([]record.Body, error) {
			now := s.People[a.ID].copy()
			if now == nil || now.Locked {
				return nil, nil
			}
			before := now.Person
			now.Locked = true
			return one(&record.PersonChanged{Person: a.ID, Change: "locked", Before: &before, After: now.Person,
				Reason: "too many attempts to sign in failed", By: software(), Stamp: at}), nil
		}, nil)
		b.warn(ctx, err)
	}
	b.tell()
}

func software() record.Actor { return record.Actor{ID: "weighpost", By: record.ActorSoftware} }

func one(body record.Body) []record.Body { return []record.Body{body} }

// bySecret holds a secret against the one that is kept here. Where there is none the same work is done.
func (b *Book) bySecret(ctx context.Context, given string, a *account) proof {
	var kept secret.Kept
	if a != nil && a.Source == localSource && a.HasSecret {
		kept, _ = b.vault.Person(a.ID)
	}
	ok, stale, err := b.o.Hasher.Verify(ctx, kept.Hash, given)
	switch {
	case err != nil:
		return proof{err: err}
	case !ok:
		return proof{why: whyWrong(a, kept)}
	}
	if stale {
		b.hashAnew(ctx, a.ID, kept.Hash, given)
	}
	must := a.Reset || kept.Expired(b.o.Config().Password.Expires.D(), b.o.Now())
	return proof{account: a, by: record.ActorPassword, must: must, holds: func(now *account) bool {
		k, _ := b.vault.Person(now.ID) // the hash itself may have been made anew of the same secret
		return k.Hash != "" && k.Set.Equal(kept.Set) && slices.Equal(k.Former, kept.Former)
	}}
}

// whyWrong is for the journal.
func whyWrong(a *account, kept secret.Kept) string {
	switch {
	case a == nil:
		return "nobody has this login"
	case a.Source != localSource:
		return "the account is kept by " + a.Source + ", which is not configured"
	case kept.Hash == "":
		return "the account has no secret"
	}
	return "the secret is wrong"
}

// hashAnew replaces a hash that was made with less work than is asked for now. The secret is the same.
func (b *Book) hashAnew(ctx context.Context, id, old, given string) {
	hash, err := b.o.Hasher.Hash(ctx, given)
	if err == nil {
		err = b.vault.Change(id, func(k *secret.Kept) error {
			if k.Hash == old {
				k.Hash = hash
			}
			return nil
		})
	}
	b.warn(ctx, err)
}

// usable says why somebody who showed who they are may not sign in.
func (b *Book) usable(a *account) *rights.Refused {
	why := ""
	switch {
	case a.Disabled:
		why = "is disabled"
	case a.Locked:
		why = "is locked after too many attempts that failed"
	case expired(a.Expires, b.o.Now()):
		why = "came to its end on " + a.Expires.Time().UTC().Format("2006-01-02")
	default:
		return nil
	}
	return &rights.Refused{Why: fmt.Sprintf("the account %s %s: ask whoever looks after the accounts", a.ID, why)}
}

// start starts a session, and gives it out once its entry is in the journal.
func (b *Book) start(ctx context.Context, f from, p proof) (rights.Session, error) {
	a := p.account
	if f.balance != "" && b.o.Config().Badge.Operators {
		if set, _ := a.may(b.o.Config().AllRoles(), b.o.Now()); !set.Has(rights.OperateAnywhere) {
			err := &rights.Refused{Why: fmt.Sprintf("%s may not sign in at a balance: this needs the right %q", a.ID, rights.OperateAnywhere)}
			b.refused(f, a, err.Why, false)
			return rights.Session{}, err
		}
	}
	s := session.Session{Person: a.ID, Way: p.by, Balance: f.balance, Must: p.must}
	s.Actor = b.who(a, s, f.where).Actor
	s, cookie, err := b.sessions.Start(s)
	if err != nil {
		return rights.Session{}, &rights.Refused{Why: err.Error()}
	}
	_, err = b.change(ctx, func(st *state, at record.Stamp) ([]record.Body, error) {
		if now := st.People[a.ID]; now == nil || b.usable(now) != nil || p.holds != nil && !p.holds(now) {
			return nil, rights.ErrWrong // disabled, or its secret reset, in this very moment
		}
		until := record.UTC(s.Until)
		return one(&record.SignedIn{Session: s.ID, Balance: record.Bench(s.Balance), Until: &until, By: s.Actor, Stamp: at}), nil
	}, nil)
	if err != nil {
		b.unstart(s.ID)
		return rights.Session{}, err
	}
	b.noteEnds(ctx) // who was at the bench before
	return b.given(a, s, cookie, f.where), nil
}

// unstart ends a session that nobody was given.
func (b *Book) unstart(id string) {
	b.ends.mu.Lock()
	if b.ends.unborn == nil {
		b.ends.unborn = map[string]bool{}
	}
	b.ends.unborn[id] = true
	b.ends.mu.Unlock()
	b.sessions.End(id, session.Asked, nil)
	b.ends.mu.Lock()
	delete(b.ends.unborn, id)
	b.ends.mu.Unlock()
}

func (b *Book) given(a *account, s session.Session, cookie, where string) rights.Session {
	return rights.Session{ID: s.ID, Secret: cookie, Who: b.who(a, s, where), Person: a.Person, Until: s.Until, MustChange: s.Must}
}

// SignInBadge signs somebody in at a balance by a badge, and a PIN where policy asks for one or one is given.
func (b *Book) SignInBadge(ctx context.Context, in rights.Badge) (rights.Session, error) {
	cfg := b.o.Config().Badge
	if err := b.bench(in.Balance); err != nil {
		return rights.Session{}, err
	}
	f := from{way: record.ActorBadge, address: in.Address, where: in.Where, balance: in.Balance}
	var a *account
	b.look(func(s *state) { a = s.badgeOf(in.Code).copy() })
	switch {
	case !cfg.SignIn:
		return rights.Session{}, &rights.Refused{Why: "nobody signs in with a badge here: the configuration does not let them (people: badge: sign_in)"}
	case in.Balance == "":
		return rights.Session{}, &rights.Refused{Why: "a badge signs in at a balance only, and none was named"}
	case cfg.PIN && in.PIN == "": // not a wrong one: else whoever scans a badge often enough locks its PIN
		return rights.Session{}, &rights.Refused{Why: "a badge signs in here together with its person's PIN only, and none was given"}
	case cfg.PIN || in.PIN != "":
		f.way = record.ActorBadgePIN
		if a == nil {
			f.login = harmless(in.Code)
		}
		return b.try(ctx, f, a, secret.PIN, func() proof { return b.byPIN(ctx, in, a) })
	case a == nil:
		b.refused(f, nil, "nobody has this badge", false)
		return rights.Session{}, rights.ErrWrong
	}
	if err := b.usable(a); err != nil {
		b.refused(f, a, err.Why, false)
		return rights.Session{}, err
	}
	return b.start(ctx, f, proof{account: a, by: record.ActorBadge, holds: hasBadge(in.Code)})
}

// byPIN holds a PIN against the one that is kept.
func (b *Book) byPIN(ctx context.Context, in rights.Badge, a *account) proof {
	var kept secret.Kept
	if a != nil && a.HasPIN {
		kept, _ = b.vault.Person(a.ID)
	}
	ok, _, err := b.o.Hasher.Verify(ctx, kept.PIN, in.PIN)
	switch {
	case err != nil:
		return proof{err: err}
	case ok:
		badge := hasBadge(in.Code)
		return proof{account: a, by: record.ActorBadgePIN, holds: func(now *account) bool {
			k, _ := b.vault.Person(now.ID)
			return badge(now) && k.PIN == kept.PIN
		}}
	case a == nil:
		return proof{why: "nobody has this badge"}
	case kept.PIN == "":
		return proof{why: "the account has no PIN"}
	}
	return proof{why: "the PIN is wrong"}
}

// hasBadge says of an account whether a badge is still its own.
func hasBadge(code string) func(*account) bool {
	return func(now *account) bool { return slices.Contains(now.Badges, code) }
}

func (b *Book) directory() outside.Directory {
	if b.o.Directory == nil {
		return nil
	}
	return b.o.Directory()
}

func (b *Book) provider() outside.Provider {
	if b.o.Provider == nil {
		return nil
	}
	return b.o.Provider()
}
