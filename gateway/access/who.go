package access

import (
	"maps"
	"slices"
	"strings"
	"time"

	"weighpost/gateway/access/session"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// What a sign-in by a badge is good for: a badge identifies, and a PIN authenticates at the bench only. Neither is a way to
// administrate, to review or to change a secret.
var (
	byBadge    = rights.Of(rights.See, rights.Weigh, rights.OperateAnywhere)
	byBadgePIN = rights.Of(rights.See, rights.Weigh, rights.OperateAnywhere, rights.ReadJournal, rights.Command, rights.Samples, rights.Check, rights.Run)
	mustChange = rights.Of(rights.OwnAccount)
)

// rightsOf gives what roles allow together, and which of them there are not.
func rightsOf(roles []string, all map[string]rights.Set) (set rights.Set, unknown []string) {
	set = rights.Set{}
	for _, name := range roles {
		role, there := all[name]
		if !there {
			unknown = append(unknown, name)
		}
		maps.Copy(set, role)
	}
	return set, unknown
}

// may gives what somebody with an account may do now.
func (a *account) may(all map[string]rights.Set, now time.Time) (set rights.Set, unknown []string) {
	set, unknown = rightsOf(a.Person.Roles, all)
	if a.Disabled || a.Locked || expired(a.Expires, now) {
		set = rights.Set{}
	}
	return set, unknown
}

func both(a, b rights.Set) rights.Set {
	set := rights.Set{}
	for r := range a {
		if b.Has(r) {
			set[r] = true
		}
	}
	return set
}

// who says who somebody is that is signed in.
func (b *Book) who(a *account, s session.Session, where string) rights.Who {
	set, _ := a.may(b.o.Config().AllRoles(), b.o.Now())
	w := rights.Who{
		Actor:  record.Actor{ID: a.ID, Name: a.Name, Role: strings.Join(a.Person.Roles, ", "), By: s.Way, Where: where},
		Rights: set, Person: a.ID, Session: s.ID, Bench: s.Balance, Known: true,
	}
	switch s.Way {
	case record.ActorBadge:
		w.Rights, w.Balances = both(set, byBadge), []string{s.Balance}
	case record.ActorBadgePIN:
		w.Rights, w.Balances = both(set, byBadgePIN), []string{s.Balance}
	}
	if s.Must {
		w.Rights, w.MustChange = both(w.Rights, mustChange), true
	}
	return w
}

// WhoIs says who a session's secret belongs to, and counts as use of the session. rights.ErrNoSession where it belongs to nobody
// any more: it ended, or the account can no longer be used.
func (b *Book) WhoIs(secret, where string) (rights.Who, error) {
	s, err := b.sessions.Find(secret)
	return b.whoseSession(s, where, err)
}

// PeekWho is WhoIs for what a page asks by itself: it does not count as use.
func (b *Book) PeekWho(secret, where string) (rights.Who, error) {
	s, err := b.sessions.Peek(secret)
	return b.whoseSession(s, where, err)
}

func (b *Book) whoseSession(s session.Session, where string, err error) (rights.Who, error) {
	if err != nil {
		return rights.Who{}, err
	}
	a := b.person(s.Person)
	if a == nil || a.Disabled || a.Locked || expired(a.Expires, b.o.Now()) {
		b.sessions.End(s.ID, session.Disabled, nil)
		return rights.Who{}, rights.ErrNoSession
	}
	return b.who(a, s, where), nil
}

// AtBench says who is signed in at a balance's bench.
func (b *Book) AtBench(balance string) (rights.Who, bool) {
	s, there := b.sessions.Bench(balance)
	if !there {
		return rights.Who{}, false
	}
	w, err := b.whoseSession(s, s.Actor.Where, nil)
	return w, err == nil
}

// Present says that a balance is being used, which counts as use of the session there where the configuration says so.
func (b *Book) Present(balance string) { b.sessions.Present(balance) }

// Visitor says who somebody is that shows nothing: on this computer they may look, where the configuration lets them.
func (b *Book) Visitor(local bool, where string) rights.Who {
	w := rights.Who{Actor: record.Actor{By: record.ActorUnknown, Where: where}, Rights: rights.Set{}}
	if c := b.o.Config(); local && c.VisitorsSee() {
		w.Rights = rights.Of(rights.See, rights.ReadJournal, rights.Export, rights.ReadSettings, rights.Measurements)
	}
	return w
}

// person gives a copy of an account, nil where there is none. It is by the exact id.
func (b *Book) person(id string) (found *account) {
	b.look(func(s *state) { found = s.People[id].copy() })
	return found
}

func (a *account) copy() *account {
	if a == nil {
		return nil
	}
	one := *a
	one.Person.Roles, one.Badges = slices.Clone(a.Person.Roles), slices.Clone(a.Badges)
	return &one
}

// host says whether it is the owner of the journal's files who asks.
func host(who rights.Who) bool {
	return who.Known && who.Person == "" && (who.Actor.By == record.ActorHost || who.Actor.By == record.ActorToken)
}
