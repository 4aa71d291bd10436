package access

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strings"

	"weighpost/gateway/access/secret"
	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// ChangeSecret chooses another secret for oneself. It needs the right own-account, a session, and the secret that holds now. All
// other sessions of the person end; this one gets another cookie, and is no longer limited where the secret had to be changed.
func (b *Book) ChangeSecret(ctx context.Context, who rights.Who, old, chosen, address string) (rights.Session, error) {
	if err := who.May(rights.OwnAccount); err != nil {
		return rights.Session{}, err
	}
	a := b.person(who.Person)
	if a == nil || who.Session == "" {
		return rights.Session{}, refuse("only somebody who is signed in changes their own secret")
	}
	if a.Source != localSource {
		return rights.Session{}, refuse("the secret of %s is kept by %s: change it there", a.ID, a.Source)
	}
	if err := b.proveOld(ctx, a, old, address, who.Actor.Where); err != nil {
		return rights.Session{}, err
	}
	kept, _ := b.vault.Person(a.ID)
	switch reused, err := b.o.Hasher.Reused(ctx, kept, chosen, b.o.Config().Password.Reuse); {
	case err != nil:
		return rights.Session{}, err
	case reused:
		return rights.Session{}, &rights.Refused{Why: secret.ErrReused.Error()}
	case old == chosen:
		return rights.Session{}, refuse("this is the secret that holds now: choose another")
	}
	hash, err := b.hash(ctx, chosen, a)
	if err != nil {
		return rights.Session{}, err
	}
	if err := b.setSecret(ctx, who, a.ID, hash, "", false); err != nil {
		return rights.Session{}, err
	}
	s, cookie, err := b.sessions.Renew(who.Session, func(s *session.Session) { s.Must = false })
	if err != nil {
		return rights.Session{}, err
	}
	b.noteEnds(ctx)
	return b.given(b.person(a.ID), s, cookie, who.Actor.Where), nil
}

// proveOld holds a secret against the account that is signed in, and counts like a sign-in.
func (b *Book) proveOld(ctx context.Context, a *account, old, address, where string) error {
	f := from{way: record.ActorPassword, login: a.ID, address: address, where: where}
	y, err := b.throttle.Begin(secret.Attempt{Way: secret.Password, Account: a.ID, Known: true, Address: address})
	if err != nil {
		return b.blocked(f, a, err)
	}
	switch p := b.bySecret(ctx, old, a); {
	case p.err != nil:
		y.Void()
		return p.err
	case p.by == "":
		locked, _ := y.Wrong()
		b.refused(f, a, p.why, locked)
		if locked {
			b.lockedNow(ctx, a, secret.Password)
		}
		return rights.ErrWrong
	}
	y.Right()
	return nil
}

// setSecret records that a secret was set and keeps its hash. Sessions of the person end, but for the one that asks.
func (b *Book) setSecret(ctx context.Context, who rights.Who, id, hash, reason string, reset bool) error {
	word := "secret-set"
	if reset {
		word = "secret-reset"
	}
	handed := false
	_, err := b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		a := s.People[id]
		if a == nil {
			return nil, rights.ErrNoPerson
		}
		handed = true
		before, after := a.Person, a.copy().Person
		after.HasSecret, after.Reset = true, reset
		return one(&record.PersonChanged{Person: id, Change: word, Before: &before, After: after, Reason: reason, By: who.Actor, Stamp: at}), nil
	}, func() error {
		err := b.keep(id, func(k *secret.Kept) { k.SetPassword(hash, b.o.Now(), reset) })
		but := who.Session
		if who.Person != id {
			but = ""
		}
		b.sessions.EndPerson(id, but, session.SecretChanged, &who.Actor)
		return err
	})
	if err != nil && handed && reset { // whoever has the secret that was is out, also where nothing can be recorded
		b.sessions.EndPerson(id, "", session.SecretChanged, &who.Actor)
	}
	return err
}

// ResetSecret gives somebody a secret that can only be used to choose another, which is returned this once (21 CFR
// 11.200(a)(3)). It needs the right people. Their sessions end.
func (b *Book) ResetSecret(ctx context.Context, who rights.Who, id, reason string) (string, error) {
	if err := who.May(rights.People); err != nil {
		return "", err
	}
	if err := checkReason(reason, true); err != nil {
		return "", err
	}
	a := b.person(id)
	switch {
	case a == nil:
		return "", rights.ErrNoPerson
	case a.Source != localSource:
		return "", refuse("the secret of %s is kept by %s: reset it there", id, a.Source)
	case who.Person == id:
		return "", refuse("nobody resets their own secret: change it, with the one that holds now")
	}
	if err := b.mayTakeOver(who, a); err != nil {
		return "", err
	}
	chosen, err := madeUp()
	if err != nil {
		return "", err
	}
	hash, err := b.hash(ctx, chosen, a)
	if err != nil {
		return "", err
	}
	if err := b.setSecret(ctx, who, id, hash, reason, true); err != nil {
		return "", err
	}
	b.noteEnds(ctx)
	b.warn(ctx, b.unlock(id)) // attempts at the secret before count no more
	b.tell()
	return chosen, nil
}

// letters of a secret that is read from paper: none that looks like another.
const letters = "abcdefghijkmnpqrstuvwxyz23456789"

// madeUp makes a secret of 100 bits, in groups.
func madeUp() (string, error) {
	raw := make([]byte, 20)
	if _, err := rand.Read(raw); err != nil {
		return "", fmt.Errorf("this computer gives no random numbers, and without them no secret can be made: %w", err)
	}
	var groups []string
	for part := range slices.Chunk(raw, 5) {
		group := make([]byte, len(part))
		for i, c := range part {
			group[i] = letters[int(c)%len(letters)]
		}
		groups = append(groups, string(group))
	}
	return strings.Join(groups, "-"), nil
}

// SetPIN sets somebody's PIN, or ends it (""). One's own needs the right own-account, and a sign-in by more than a badge; that of
// another needs the right people.
func (b *Book) SetPIN(ctx context.Context, who rights.Who, id, pin, reason string) (rights.PersonView, error) {
	own := id != "" && id == who.Person
	right := rights.People
	if own {
		right = rights.OwnAccount
	}
	if err := who.May(right); err != nil {
		return rights.PersonView{}, err
	}
	if s, there := b.sessionByID(who.Session); there && s.Must {
		return rights.PersonView{}, refuse("a secret that was reset can only be used to choose another: do that first")
	}
	if err := checkReason(reason, !own); err != nil {
		return rights.PersonView{}, err
	}
	a := b.person(id)
	if a == nil {
		return rights.PersonView{}, rights.ErrNoPerson
	}
	hash := ""
	if pin != "" {
		if err := b.o.Config().PIN.Policy().Check(pin, a.ID, a.Name, a.Login); err != nil {
			return rights.PersonView{}, refuse("%v", err)
		}
		var err error
		if hash, err = b.o.Hasher.Hash(ctx, pin); err != nil {
			return rights.PersonView{}, err
		}
	}
	_, err := b.change(ctx, func(s *state, at record.Stamp) ([]record.Body, error) {
		a := s.People[id]
		before, after := a.Person, a.copy().Person
		after.HasPIN = hash != ""
		return one(&record.PersonChanged{Person: id, Change: "pin-set", Before: &before, After: after, Reason: reason, By: who.Actor, Stamp: at}), nil
	}, func() error {
		err := b.keep(id, func(k *secret.Kept) { k.SetPIN(hash, len(pin), b.o.Now()) })
		b.endWays(id, &who.Actor, record.ActorBadgePIN) // whoever signed in with the PIN that was
		return errors.Join(err, b.throttle.Unlock(secret.PIN, id))
	})
	if err != nil {
		return rights.PersonView{}, err
	}
	b.noteEnds(ctx)
	return b.view(id)
}

// endWays ends the sessions of a person that began in some ways.
func (b *Book) endWays(id string, by *record.Actor, ways ...string) {
	for _, s := range b.sessions.List(id) {
		if slices.Contains(ways, s.Way) {
			b.sessions.End(s.ID, session.SecretChanged, by)
		}
	}
}
