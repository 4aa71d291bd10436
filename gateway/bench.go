package gateway

import (
	"context"
	"net/url"
	"sync"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/access/session"
	"weighpost/gateway/intake"
	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// A session at a balance and the person who weighs there are one: this is where the book of people and the balances tell each other.

// present says that a balance is being used, which may count as use of the session at its bench.
func (g *Gateway) present(balance string) {
	if g.people != nil {
		g.people.Present(balance)
	}
}

// badges signs people in by the badges that are scanned at balances, and tells balances of sessions.
type badges struct{ g *Gateway }

// Badge signs in whose badge it is.
func (b badges) Badge(ctx context.Context, scan intake.Badge) (record.ContextItem, error) {
	if b.g.people == nil {
		return record.ContextItem{}, errShut
	}
	s, err := b.g.people.SignInBadge(ctx, rights.Badge{Code: scan.Code, Address: scan.Balance, Where: scan.Where, Balance: scan.Balance})
	if err != nil {
		return record.ContextItem{}, err
	}
	return personOf(s), nil
}

// personOf is somebody who signed in, as a balance takes them.
func personOf(s rights.Session) record.ContextItem {
	return record.ContextItem{ID: s.Person.ID, Name: s.Person.Name, Role: s.Who.Actor.Role, How: s.Who.Actor.By, Session: s.ID}
}

// Lasting says whether a session lasts, and where.
func (b badges) Lasting(id string) (bench string, until time.Time, lasts bool) {
	if b.g.people == nil {
		return "", time.Time{}, false
	}
	return b.g.people.Lasting(id)
}

// Used says that whoever has a session did something.
func (b badges) Used(id string) {
	if b.g.people != nil {
		b.g.people.Used(id)
	}
}

// Left ends the session of somebody who does not weigh at its balance any more.
func (b badges) Left(l intake.Left) { b.g.leaving.put(l) }

// leaving are people who do not weigh at a balance any more, and whose sessions there are to end.
type leaving struct {
	list *[]intake.Left
	mu   *sync.Mutex
	wake chan struct{}
}

func newLeaving() leaving {
	return leaving{list: new([]intake.Left), mu: new(sync.Mutex), wake: make(chan struct{}, 1)}
}

func (q leaving) put(l intake.Left) {
	q.mu.Lock()
	*q.list = append(*q.list, l)
	q.mu.Unlock()
	select {
	case q.wake <- struct{}{}:
	default:
	}
}

// run ends their sessions until ctx ends.
func (q leaving) run(book *access.Book) func(context.Context) {
	return func(ctx context.Context) {
		for {
			select {
			case <-ctx.Done():
				return
			case <-q.wake:
			}
			q.mu.Lock()
			list := *q.list
			*q.list = nil
			q.mu.Unlock()
			for _, l := range list {
				book.LeaveBench(l.Session, l.Balance, l.Cause)
			}
		}
	}
}

// sessionEnded ends the context of whoever weighs by a session that ended, and, where all of a person's end, wherever they weigh.
func (g *Gateway) sessionEnded(person, id, cause string) {
	why := "The session in which the person signed in ended (" + cause + "): who weighs next signs in anew."
	for _, b := range g.now.Load().balances {
		if b.intake == nil {
			continue
		}
		b.intake.EndSession(id, why)
		if session.Cause(cause) == session.Everywhere {
			b.intake.EndPerson(person, why)
		}
	}
}

// personDisabled ends the context of a person wherever they weigh, also where a system sent them.
func (g *Gateway) personDisabled(person string) {
	g.EndPerson(person, "The person's account can no longer be used.")
}

// atBalances is the book of people, as the page asks for it: whoever signs in at a balance is the one who weighs there.
type atBalances struct {
	*access.Book
	g *Gateway
}

// SignIn is that of the book.
func (a atBalances) SignIn(ctx context.Context, in rights.SignIn) (rights.Session, error) {
	s, err := a.Book.SignIn(ctx, in)
	return a.tied(ctx, s, err)
}

// SignInBadge is that of the book.
func (a atBalances) SignInBadge(ctx context.Context, in rights.Badge) (rights.Session, error) {
	s, err := a.Book.SignInBadge(ctx, in)
	return a.tied(ctx, s, err)
}

// FinishOpenID is that of the book.
func (a atBalances) FinishOpenID(ctx context.Context, query url.Values, address, from string) (rights.Session, error) {
	s, err := a.Book.FinishOpenID(ctx, query, address, from)
	return a.tied(ctx, s, err)
}

// tied has whoever signed in at a balance weigh there. Where the balance does not take them they are signed in all the same: they can
// tie it to themselves once it does, and the refusal is an entry and a condition.
func (a atBalances) tied(ctx context.Context, s rights.Session, err error) (rights.Session, error) {
	bench := s.Who.Bench
	if err != nil || bench == "" || s.MustChange || s.Who.MayAt(rights.Weigh, bench) != nil {
		return s, err
	}
	person, actor := personOf(s), s.Who.Actor
	for range 3 { // a balance that prints at this very moment refuses, since it is not known which came first
		if _, err = a.g.SetContext(ctx, bench, record.ContextRequest{Person: &person, By: record.BySignedIn, Where: actor.Where, Actor: &actor, At: time.Now()}); err == nil {
			return s, nil
		}
		if _, _, lasts := a.Lasting(s.ID); !lasts {
			break
		}
		select {
		case <-time.After(100 * time.Millisecond):
		case <-ctx.Done():
		}
	}
	a.g.log.Warn("somebody is signed in at a balance that does not take them", "balance", bench, "person", s.Person.ID, "err", err)
	return s, nil
}
