package gateway

import (
	"context"
	"net/url"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// shut stands for the book of people where that cannot be opened: nobody is let in, and a visitor may do nothing.
type shut struct{}

var errShut = &rights.Refused{Why: "accounts cannot be read now, so nobody can sign in: see the conditions of weighpost on its computer"}

func (shut) Visitor(_ bool, from string) rights.Who {
	return rights.Who{Actor: record.Actor{By: record.ActorUnknown, Where: from}}
}
func (shut) WhoIs(string, string) (rights.Who, error)   { return rights.Who{}, rights.ErrNoSession }
func (shut) PeekWho(string, string) (rights.Who, error) { return rights.Who{}, rights.ErrNoSession }
func (shut) WhoseKey(string, string, string) (rights.Who, error) {
	return rights.Who{}, rights.ErrNoSession
}
func (shut) Ways() rights.Ways { return rights.Ways{} }
func (shut) SignIn(context.Context, rights.SignIn) (rights.Session, error) {
	return rights.Session{}, errShut
}
func (shut) SignInBadge(context.Context, rights.Badge) (rights.Session, error) {
	return rights.Session{}, errShut
}
func (shut) BeginOpenID(context.Context, string, bool) (string, string, error) {
	return "", "", errShut
}
func (shut) FinishOpenID(context.Context, url.Values, string, string) (rights.Session, error) {
	return rights.Session{}, errShut
}
func (shut) SetUp(context.Context, string, rights.NewPerson, string, string) (rights.Session, error) {
	return rights.Session{}, errShut
}
func (shut) SignOut(context.Context, rights.Who) error                          { return rights.ErrNoSession }
func (shut) SignOutEverywhere(context.Context, rights.Who, string) (int, error) { return 0, errShut }
func (shut) SignOutOthers(context.Context, rights.Who) (int, error)             { return 0, errShut }
func (shut) Policy() rights.Policy                                              { return rights.Policy{} }
func (shut) EndSession(context.Context, rights.Who, string, string) error       { return errShut }
func (shut) ChangeSecret(context.Context, rights.Who, string, string, string) (rights.Session, error) {
	return rights.Session{}, errShut
}
func (shut) People(rights.Who) ([]rights.PersonView, uint64, error) { return nil, 0, errShut }
func (shut) Person(rights.Who, string) (rights.PersonView, error) {
	return rights.PersonView{}, errShut
}
func (shut) Sessions(rights.Who, string) ([]rights.SessionView, error) { return nil, errShut }
func (shut) Roles(rights.Who) ([]rights.RoleView, error)               { return nil, errShut }
func (shut) Keys(rights.Who) ([]rights.KeyView, error)                 { return nil, errShut }
func (shut) AddPerson(context.Context, rights.Who, rights.NewPerson) (rights.PersonView, error) {
	return rights.PersonView{}, errShut
}
func (shut) ChangePerson(context.Context, rights.Who, string, rights.PersonChange) (rights.PersonView, error) {
	return rights.PersonView{}, errShut
}
func (shut) ResetSecret(context.Context, rights.Who, string, string) (string, error) {
	return "", errShut
}
func (shut) SetPIN(context.Context, rights.Who, string, string, string) (rights.PersonView, error) {
	return rights.PersonView{}, errShut
}
func (shut) AddBadge(context.Context, rights.Who, string, string, string) (rights.PersonView, error) {
	return rights.PersonView{}, errShut
}
func (shut) EndBadge(context.Context, rights.Who, string, string, string) (rights.PersonView, error) {
	return rights.PersonView{}, errShut
}
func (shut) HeldOn(context.Context, rights.Who, time.Time) ([]rights.Holding, error) {
	return nil, errShut
}
func (shut) ReviewAccounts(context.Context, rights.Who, rights.AccountReview) (*record.AccountsReviewed, error) {
	return nil, errShut
}
func (shut) AccountReviews(context.Context, rights.Who) ([]*record.AccountsReviewed, error) {
	return nil, errShut
}
func (shut) MakeKey(context.Context, rights.Who, rights.NewKey) (rights.MadeKey, error) {
	return rights.MadeKey{}, errShut
}
func (shut) RevokeKey(context.Context, rights.Who, string, string) error { return errShut }
