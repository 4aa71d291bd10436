package access

import (
	"context"
	"time"

	"weighpost/gateway/access/session"
	"weighpost/gateway/rights"
)

// shifts says when shifts end, for the table of sessions.
func (b *Book) shifts() ([]session.TimeOfDay, *time.Location) {
	var list []session.TimeOfDay
	for _, text := range b.o.Config().Shifts {
		if at, err := session.ParseTimeOfDay(text); err == nil {
			list = append(list, at)
		}
	}
	return list, time.Local
}

// SignOut ends the session that somebody asks with.
func (b *Book) SignOut(ctx context.Context, who rights.Who) error {
	if who.Session == "" || !b.sessions.End(who.Session, session.Asked, nil) {
		return rights.ErrNoSession
	}
	b.noteEnds(ctx)
	return nil
}

// SignOutEverywhere ends every session of a person, also the one that asks, and says how many. One's own ("" or one's own id) needs
// the right own-account, those of another the right people.
func (b *Book) SignOutEverywhere(ctx context.Context, who rights.Who, person string) (int, error) {
	if person == "" {
		person = who.Person
	}
	right := rights.People
	if person != "" && person == who.Person {
		right = rights.OwnAccount
	}
	if err := who.May(right); err != nil {
		return 0, err
	}
	if b.person(person) == nil {
		return 0, rights.ErrNoPerson
	}
	by := &who.Actor
	if person == who.Person {
		by = nil
	}
	n := b.sessions.EndPerson(person, "", session.Everywhere, by)
	b.noteEnds(ctx)
	return n, nil
}

// SignOutOthers ends every session of the person who asks but the one that they ask with, and says how many. It needs the right
// own-account, and a session.
func (b *Book) SignOutOthers(ctx context.Context, who rights.Who) (int, error) {
	if err := who.May(rights.OwnAccount); err != nil {
		return 0, err
	}
	if who.Person == "" || who.Session == "" {
		return 0, rights.ErrNoSession
	}
	n := b.sessions.EndPerson(who.Person, who.Session, session.Asked, nil)
	b.noteEnds(ctx)
	return n, nil
}

// EndSession ends one session of a person by its public id: one's own with the right own-account, another's with the right people.
func (b *Book) EndSession(ctx context.Context, who rights.Who, person, id string) error {
	s, there := b.sessionByID(id)
	there = there && s.Person == person
	right := rights.People
	if person != "" && person == who.Person {
		right = rights.OwnAccount
	}
	if err := who.May(right); err != nil {
		return err
	}
	by := &who.Actor
	if person == who.Person {
		by = nil
	}
	if !there || !b.sessions.End(id, session.Asked, by) {
		return refuse("there is no session with this id: it ended already")
	}
	b.noteEnds(ctx)
	return nil
}

func (b *Book) sessionByID(id string) (session.Session, bool) {
	for _, s := range b.sessions.List("") {
		if s.ID == id {
			return s, true
		}
	}
	return session.Session{}, false
}

// Sessions lists those of a person, or of everybody (""), the latest first. One's own need the right own-account, others the right
// people or read-people.
func (b *Book) Sessions(who rights.Who, person string) ([]rights.SessionView, error) {
	own := person != "" && person == who.Person && who.May(rights.OwnAccount) == nil
	if err := who.May(rights.ReadPeople); err != nil && !own && who.May(rights.People) != nil {
		return nil, err
	}
	list := []rights.SessionView{}
	for _, s := range b.sessions.List(person) {
		list = append(list, rights.SessionView{ID: s.ID, Person: s.Person, Name: s.Actor.Name, By: s.Way, Balance: s.Balance, Where: s.Actor.Where,
			Since: s.Since.UTC(), Active: s.Active.UTC(), Until: s.Until.UTC(), Own: s.ID == who.Session && who.Session != ""})
	}
	return list, nil
}

// Own gives the account, session and rights of whoever asks with a session.
func (b *Book) Own(ctx context.Context, who rights.Who) (rights.Session, error) {
	s, there := b.sessionByID(who.Session)
	a := b.person(who.Person)
	if !there || a == nil {
		return rights.Session{}, rights.ErrNoSession
	}
	return b.given(a, s, "", who.Actor.Where), nil
}
