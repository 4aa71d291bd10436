// Package outside holds what weighpost asks of those who keep accounts elsewhere: a directory, which judges a login and a
// secret, and a provider, which signs people in on its own pages. It is types and their contracts only.
package outside

import (
	"context"
	"errors"
	"net/url"
	"time"
)

// Found is a person as they are known elsewhere.
type Found struct {
	Source string // name of the directory or provider
	// Immutable is what the source knows them by and never changes nor gives to another (entryUUID, objectGUID, sub).
	Immutable string
	Login     string   // what they sign in with, as the source writes it
	Name      string   // printed name
	Groups    []string // every group that they are in, nested ones included, as the configuration's map names them
	At        time.Time
}

// ErrWrong says that a login and a secret do not go together, or that nobody has that login. The two are not told apart.
var ErrWrong = errors.New("the login and the secret do not go together")

// Refused says that somebody is known there and may not sign in: locked, disabled, expired, must choose another secret. Why is
// a sentence for whoever looks after the accounts.
type Refused struct {
	Why    string
	Locked bool // the account is locked, disabled or expired there: sessions that it has here end
}

func (r *Refused) Error() string { return r.Why }

// Unavailable says that the other side could not be asked, or gave no answer that can be used.
type Unavailable struct{ Err error }

func (u *Unavailable) Error() string { return "the directory could not be asked: " + u.Err.Error() }

// Unwrap gives the cause.
func (u *Unavailable) Unwrap() error { return u.Err }

// Directory judges secrets. Its methods are called from many goroutines, block until the answer is there or ctx ends, and never
// try again by themselves. Their errors are ErrWrong, *Refused or *Unavailable.
type Directory interface {
	Source() string
	// Authenticate says who has this login and secret. An empty secret is ErrWrong without asking (RFC 4513 section 5.1.2).
	Authenticate(ctx context.Context, login, secret string) (Found, error)
	// Find says who has this login, without a secret: whether they are still there, still enabled, in which groups.
	Find(ctx context.Context, login string) (Found, error)
}

// Flow is one sign-in at a provider between its beginning and its end. It stays on this side; it is used once.
type Flow struct {
	State    string // RFC 6749 section 10.12
	Nonce    string // OpenID Connect Core 1.0 section 3.1.2.1
	Verifier string // RFC 7636
	Redirect string // where the provider sends the browser back to: the same for the token request
	When     time.Time
	Fresh    bool // they had to show anew who they are (max_age=0, auth_time)
}

// Provider signs people in on its own pages (OpenID Connect).
type Provider interface {
	Source() string
	// Begin says where to send the browser, and what to keep until it comes back. Errors: *Unavailable.
	Begin(ctx context.Context, redirect string, fresh bool) (to string, flow Flow, err error)
	// Finish says who came back. The caller has found flow by its state and has taken it away, so that it is used once.
	Finish(ctx context.Context, flow Flow, query url.Values) (Found, error)
}
