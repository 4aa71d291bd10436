package console

import (
	"context"
	"net/url"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
)

// Access knows who has an account, a session or a key. Its methods are called from any goroutine; those with a rights.Who hold
// the right of the act against it themselves. Errors that are told apart are those of gateway/rights: ErrWrong, ErrNoSession,
// ErrNoPerson, *Throttled, *Refused, *Conflict, *Denied. Any other says why it does not work now, such as that nothing can be
// recorded.
type Access interface {
	Knower
	Door
	Accounts
	KeyRing
}

// Knower says who sends a request. from is where that comes from, as entries say it. The error is rights.ErrNoSession, a
// *rights.Throttled, or says why it cannot be told now.
type Knower interface {
	Visitor(local bool, from string) rights.Who             // somebody who shows nothing; local: on this computer
	WhoIs(secret, from string) (rights.Who, error)          // whose session a cookie's secret belongs to; counts as use of it
	PeekWho(secret, from string) (rights.Who, error)        // the same, and does not count as use
	WhoseKey(key, address, from string) (rights.Who, error) // whose key it is
}

// Door lets people in and out.
type Door interface {
	// Ways says how people can sign in now.
	Ways() rights.Ways
	// Policy says what is asked of secrets, keys and reviews.
	Policy() rights.Policy
	SignIn(ctx context.Context, in rights.SignIn) (rights.Session, error)
	SignInBadge(ctx context.Context, in rights.Badge) (rights.Session, error)
	// BeginOpenID gives where to send the browser, which comes back to redirect, and the state by which it is known again.
	BeginOpenID(ctx context.Context, redirect string, fresh bool) (to, state string, err error)
	// FinishOpenID takes what the browser came back with. Its state is used up, whatever comes of it.
	FinishOpenID(ctx context.Context, query url.Values, address, from string) (rights.Session, error)
	// SetUp makes the first account that looks after accounts, for whoever has the one-time token of the file. The account has
	// the role it and the secret of p.
	SetUp(ctx context.Context, token string, p rights.NewPerson, address, from string) (rights.Session, error)
	// SignOut ends the session that who came with.
	SignOut(ctx context.Context, who rights.Who) error
	// SignOutEverywhere ends all sessions of a person, and says how many. Of others: with the right People.
	SignOutEverywhere(ctx context.Context, who rights.Who, person string) (int, error)
	// SignOutOthers ends all sessions of the person who asks but the one that they ask with, and says how many.
	SignOutOthers(ctx context.Context, who rights.Who) (int, error)
	// EndSession ends one session of a person, by its public id.
	EndSession(ctx context.Context, who rights.Who, person, session string) error
	// ChangeSecret gives a person another secret, ends their other sessions, and gives this one a new secret of its own.
	ChangeSecret(ctx context.Context, who rights.Who, old, secret, address string) (rights.Session, error)
}

// Accounts are people's.
type Accounts interface {
	// People gives all accounts, and the sequence that the list is as of.
	People(who rights.Who) ([]rights.PersonView, uint64, error)
	// Person gives one; one's own needs OwnAccount only.
	Person(who rights.Who, id string) (rights.PersonView, error)
	AddPerson(ctx context.Context, who rights.Who, p rights.NewPerson) (rights.PersonView, error)
	ChangePerson(ctx context.Context, who rights.Who, id string, c rights.PersonChange) (rights.PersonView, error)
	// ResetSecret gives a person a one-time secret, which is shown this once and can only be used to choose another.
	ResetSecret(ctx context.Context, who rights.Who, id, reason string) (secret string, err error)
	SetPIN(ctx context.Context, who rights.Who, id, pin, reason string) (rights.PersonView, error)
	AddBadge(ctx context.Context, who rights.Who, id, code, reason string) (rights.PersonView, error)
	EndBadge(ctx context.Context, who rights.Who, id, code, reason string) (rights.PersonView, error)
	Sessions(who rights.Who, person string) ([]rights.SessionView, error)
	Roles(who rights.Who) ([]rights.RoleView, error)
	HeldOn(ctx context.Context, who rights.Who, at time.Time) ([]rights.Holding, error)
	ReviewAccounts(ctx context.Context, who rights.Who, r rights.AccountReview) (*record.AccountsReviewed, error)
	// AccountReviews gives the reviews of accounts, the oldest first.
	AccountReviews(ctx context.Context, who rights.Who) ([]*record.AccountsReviewed, error)
}

// KeyRing holds programs' keys.
type KeyRing interface {
	Keys(who rights.Who) ([]rights.KeyView, error)
	MakeKey(ctx context.Context, who rights.Who, k rights.NewKey) (rights.MadeKey, error)
	RevokeKey(ctx context.Context, who rights.Who, id, reason string) error
}

// visitor is somebody who shows nothing, where nobody has an account.
func visitor(local bool, from string) rights.Who {
	w := rights.Who{Actor: record.Actor{By: record.ActorUnknown, Where: from}}
	if local {
		w.Rights = rights.Of(rights.See, rights.ReadJournal, rights.Export, rights.ReadSettings, rights.Measurements)
	}
	return w
}
