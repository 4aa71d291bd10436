package access

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/access/outside"
	"weighpost/gateway/access/secret"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// byDirectory has the directory judge a secret.
func (b *Book) byDirectory(ctx context.Context, login, given string, a *account) proof {
	found, err := b.directory().Authenticate(ctx, login, given)
	var down *outside.Unavailable
	var refused *outside.Refused
	switch {
	case err == nil:
	case errors.Is(err, outside.ErrWrong):
		return proof{why: "the directory says: " + err.Error()}
	case errors.As(err, &refused):
		b.refusedThere(a, refused)
		return proof{account: a, err: &rights.Refused{Why: "the directory does not let this account in: ask whoever looks after the accounts there"}}
	case errors.As(err, &down):
		return b.byCache(ctx, given, a)
	default:
		return proof{err: err}
	}
	admitted, err := b.admit(ctx, found, b.o.Config().Directory.RolesOf(found.Groups))
	if err != nil {
		return proof{account: a, err: err}
	}
	b.remember(ctx, admitted.ID, given)
	return proof{account: admitted, by: record.ActorDirectory}
}

// refusedThere ends what somebody has here whom the directory has locked, disabled or lost.
func (b *Book) refusedThere(a *account, refused *outside.Refused) {
	if a == nil || !refused.Locked {
		return
	}
	b.endDisabled(a.ID, software())
	b.forget(a.ID)
}

// remember keeps the hash of a secret that the directory said yes to, where policy lets people in while it does not answer.
func (b *Book) remember(ctx context.Context, id, given string) {
	if b.o.Config().Directory.CachedFor() == 0 {
		b.forget(id)
		return
	}
	hash, err := b.o.Hasher.Hash(ctx, given)
	if err == nil {
		err = b.vault.Change(id, func(k *secret.Kept) error {
			k.Hash, k.Former, k.Set, k.Reset = hash, nil, b.o.Now().UTC(), false
			return nil
		})
	}
	b.warn(ctx, err)
}

// forget drops what is kept of a directory's person.
func (b *Book) forget(id string) {
	if k, there := b.vault.Person(id); !there || k.Hash == "" {
		return
	}
	err := b.vault.Change(id, func(k *secret.Kept) error { k.Hash, k.Former = "", nil; return nil })
	if err != nil {
		b.o.Log.Warn("people", "err", err)
	}
}

// byCache lets in whom the directory let in last with this secret, where policy says so: marked as such.
func (b *Book) byCache(ctx context.Context, given string, a *account) proof {
	for_ := b.o.Config().Directory.CachedFor()
	if for_ == 0 {
		return proof{account: a, err: &rights.Refused{Why: "the directory does not answer, so nobody can sign in with an account of it now: try again later"}}
	}
	var kept secret.Kept
	if a != nil && a.Source == DirectorySource {
		if kept, _ = b.vault.Person(a.ID); b.o.Now().Sub(kept.Set) >= for_ {
			kept.Hash = ""
		}
	}
	ok, _, err := b.o.Hasher.Verify(ctx, kept.Hash, given)
	switch {
	case err != nil:
		return proof{err: err}
	case ok:
		return proof{account: a, by: record.ActorCached}
	case kept.Hash == "":
		return proof{why: "the directory does not answer, and did not let this account in lately enough"}
	}
	return proof{why: "the directory does not answer, and this is not the secret that it took last"}
}

// admit gives the account of somebody whom a directory or a provider has let in. The account is made at their first sign-in, and
// follows what the other side says of name, login and roles.
func (b *Book) admit(ctx context.Context, found outside.Found, roles []string) (*account, error) {
	if found.Immutable == "" || found.Source == "" {
		return nil, &rights.Refused{Why: fmt.Sprintf("%s does not say what stays the same of this person, so they cannot be told from others", found.Source)}
	}
	roles = slices.Clone(roles)
	slices.Sort(roles)
	roles = slices.Compact(roles)
	var made *account
	_, err := b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		c, err := s.admission(found, roles)
		if err != nil || c == nil {
			made = s.known(found.Source, found.Immutable).copy()
			return nil, err
		}
		c.By, c.Stamp = record.Actor{ID: "weighpost", By: record.ActorSoftware, Where: found.Source}, at
		return one(c), nil
	}, nil)
	if err != nil {
		return nil, err
	}
	if made == nil {
		b.look(func(s *state) { made = s.known(found.Source, found.Immutable).copy() })
	}
	if len(roles) == 0 {
		return nil, &rights.Refused{Why: fmt.Sprintf("none of the groups of %s gives a role here: ask whoever looks after the accounts", made.ID)}
	}
	return made, nil
}

// admission gives the change that somebody's sign-in from elsewhere makes to the accounts, nil where there is none.
func (s *state) admission(found outside.Found, roles []string) (*record.PersonChanged, error) {
	a := s.known(found.Source, found.Immutable)
	if a == nil {
		return s.newcomer(found, roles)
	}
	after := a.copy().Person
	after.Roles = roles
	if name := asName(found.Name); name != "" {
		after.Name = name
	}
	if found.Login != "" {
		if asID(found.Login) == "" {
			return nil, badLogin(found)
		}
		if other := s.personOf(found.Login); other != nil && other.ID != a.ID {
			return nil, anotherPerson(found, other)
		}
		if after.Login = found.Login; found.Login == a.ID {
			after.Login = ""
		}
	}
	if slices.Equal(after.Roles, a.Person.Roles) && after.Name == a.Name && after.Login == a.Login {
		return nil, nil
	}
	before := a.Person
	return &record.PersonChanged{Person: a.ID, Change: "changed", Before: &before, After: after, Reason: found.Source + " says so"}, nil
}

func anotherPerson(found outside.Found, other *account) error {
	return &rights.Refused{Why: fmt.Sprintf("%s names somebody with the login %s, and that is the login or id of another person here (%s, %s): "+
		"an id is never given to another person, so one of the two logins has to change", found.Source, harmless(found.Login), other.ID, other.Name)}
}

func badLogin(found outside.Found) error {
	return &rights.Refused{Why: fmt.Sprintf("the login %s of %s cannot be an id here: letters, digits and the signs . _ - @ can", harmless(found.Login), found.Source)}
}

// newcomer makes the account of somebody who was never here.
func (s *state) newcomer(found outside.Found, roles []string) (*record.PersonChanged, error) {
	id := asID(found.Login)
	if id == "" {
		return nil, badLogin(found)
	}
	if other := s.personOf(found.Login); other != nil {
		return nil, anotherPerson(found, other)
	}
	if len(roles) == 0 {
		return nil, &rights.Refused{Why: fmt.Sprintf("none of the groups of %s gives a role here: ask whoever looks after the accounts", id)}
	}
	name := asName(found.Name)
	if name == "" {
		name = id
	}
	after := record.Person{ID: id, Name: name, Roles: roles, Source: found.Source, Immutable: found.Immutable}
	if found.Login != id {
		after.Login = found.Login
	}
	return &record.PersonChanged{Person: id, Change: "added", After: after, Reason: found.Source + " let them in for the first time"}, nil
}

// recheckAll asks the directory regularly whether those who are signed in are still there, enabled, and in the same groups.
func (b *Book) recheckAll(ctx context.Context) {
	for {
		timer := time.NewTimer(b.o.Config().Directory.RecheckEvery())
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-timer.C:
		}
		if b.directory() != nil && b.o.Config().Directory.CanFind() {
			b.Recheck(ctx)
		}
	}
}

// Recheck asks the directory about everybody of it who is signed in.
func (b *Book) Recheck(ctx context.Context) {
	seen := map[string]bool{}
	for _, s := range b.sessions.List("") {
		a := b.person(s.Person)
		if seen[s.Person] || a == nil || a.Source != DirectorySource || ctx.Err() != nil {
			continue
		}
		seen[s.Person] = true
		b.recheck(ctx, a)
	}
}

func (b *Book) recheck(ctx context.Context, a *account) {
	found, err := b.findAgain(ctx, a)
	var down *outside.Unavailable
	var refused *outside.Refused
	switch {
	case errors.As(err, &down):
		return
	case errors.As(err, &refused):
		b.refusedThere(a, refused)
		return
	case errors.Is(err, outside.ErrWrong), err == nil && found.Immutable != a.Immutable:
		b.refusedThere(a, &outside.Refused{Locked: true})
		return
	case err != nil:
		b.warn(ctx, err)
		return
	}
	if _, err := b.admit(ctx, found, b.o.Config().Directory.RolesOf(found.Groups)); err != nil {
		b.endDisabled(a.ID, software())
		b.warn(ctx, err)
	}
}

// byImmutable is what a directory may have too: finding somebody by what never changes, so that a renamed person is found.
type byImmutable interface {
	FindID(ctx context.Context, immutable string) (outside.Found, error)
}

func (b *Book) findAgain(ctx context.Context, a *account) (outside.Found, error) {
	d := b.directory()
	if by, can := d.(byImmutable); can {
		return by.FindID(ctx, a.Immutable)
	}
	return d.Find(ctx, cmp.Or(a.Login, a.ID))
}
