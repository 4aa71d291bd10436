package record

import (
	"encoding/json"
	"time"
)

// Bench is the id of the balance at which somebody was; "": at none. In an entry it has the form that every balance has there:
// {"id": "b-12"}.
type Bench string

// MarshalJSON is the inverse of UnmarshalJSON.
func (b Bench) MarshalJSON() ([]byte, error) { return json.Marshal(About{string(b)}) }

// UnmarshalJSON is the inverse of MarshalJSON.
func (b *Bench) UnmarshalJSON(raw []byte) error {
	var a About
	err := json.Unmarshal(raw, &a)
	*b = Bench(a.ID)
	return err
}

// Person is somebody's account, without any secret.
type Person struct {
	ID    string   `json:"id"`   // never changes, is never given to anybody else and never deleted (21 CFR 11.100(a))
	Name  string   `json:"name"` // printed name
	Roles []string `json:"roles"`
	// Source is local, or the name of the directory or provider that keeps the account; Immutable is what that one knows the
	// person by, which does not change when they are renamed.
	Source    string   `json:"source"`
	Immutable string   `json:"immutable,omitempty"`
	Login     string   `json:"login,omitempty"`  // where it is another than the id
	Badges    []string `json:"badges,omitempty"` // as they are scanned
	Disabled  bool     `json:"disabled,omitempty"`
	Locked    bool     `json:"locked,omitempty"`
	Expires   *UTC     `json:"expires,omitempty"`
	// HasSecret and HasPIN say whether there is one, and Reset that it can only be used to choose another (21 CFR 11.200(a)(3)).
	HasSecret bool `json:"has_secret,omitempty"`
	HasPIN    bool `json:"has_pin,omitempty"`
	Reset     bool `json:"reset,omitempty"`
}

// PersonChanged says that somebody's account was added or changed. No secret is in it.
type PersonChanged struct {
	Head
	Person string  `json:"person"`           // id of the account
	Change string  `json:"change"`           // added, changed, disabled, enabled, locked, unlocked, secret-set, secret-reset, pin-set, badge-added, badge-ended, seen
	Before *Person `json:"before,omitempty"` // absent: there was none
	After  Person  `json:"after"`
	Reason string  `json:"reason,omitempty"`
	By     Actor   `json:"by"`
	Stamp  Stamp   `json:"stamp"`
}

func (p *PersonChanged) Kind() Kind      { return KindPersonChanged }
func (p *PersonChanged) Subject() string { return "" }
func (p *PersonChanged) Time() time.Time { return p.Stamp.UTC.Time() }

// SignedIn says that somebody showed who they are. By names them, and how they were identified.
type SignedIn struct {
	Head
	Session string `json:"session"` // public id of the session; the secret is nowhere
	// Balance is where they signed in at a bench; absent: not at one. Offline: the directory could not be asked.
	Balance Bench `json:"balance,omitempty"`
	Until   *UTC  `json:"until,omitempty"` // at the latest
	By      Actor `json:"by"`
	Stamp   Stamp `json:"stamp"`
}

func (s *SignedIn) Kind() Kind      { return KindSignedIn }
func (s *SignedIn) Subject() string { return string(s.Balance) }
func (s *SignedIn) Time() time.Time { return s.Stamp.UTC.Time() }

// SignedOut says that a session ended. By is whose it was.
type SignedOut struct {
	Head
	Session string `json:"session"`
	Balance Bench  `json:"balance,omitempty"`
	Cause   string `json:"cause"`           // asked, idle, absolute, everywhere, another-person, again, bench, too-many, shift, disabled, secret-changed, lost
	Ended   *Actor `json:"ended,omitempty"` // who ended it, where that was somebody else
	By      Actor  `json:"by"`
	Stamp   Stamp  `json:"stamp"`
}

func (s *SignedOut) Kind() Kind      { return KindSignedOut }
func (s *SignedOut) Subject() string { return string(s.Balance) }
func (s *SignedOut) Time() time.Time { return s.Stamp.UTC.Time() }

// SignInRefused says that attempts to sign in failed. Attempts of one kind within a minute are one entry with a count.
type SignInRefused struct {
	Head
	Login   string `json:"login"`            // as it was given, cut to what an id may be; "" where it could not be one
	Person  string `json:"person,omitempty"` // the account, where there is one
	Balance Bench  `json:"balance,omitempty"`
	Address string `json:"address"`
	Way     string `json:"way"` // password, directory, openid, badge, badge-and-pin, api-key, set-up
	Why     string `json:"why"` // for those who read the journal; whoever tries is told less
	Times   uint64 `json:"times"`
	Locked  bool   `json:"locked,omitempty"` // the account is locked from here on
	From    UTC    `json:"from"`             // the first of them
	Stamp   Stamp  `json:"stamp"`
}

func (s *SignInRefused) Kind() Kind      { return KindSignInRefused }
func (s *SignInRefused) Subject() string { return string(s.Balance) }
func (s *SignInRefused) Time() time.Time { return s.Stamp.UTC.Time() }

// APIKey is what is known of a program's key, without the key.
type APIKey struct {
	ID      string   `json:"id"`
	Name    string   `json:"name"`  // what it is for
	Roles   []string `json:"roles"` // what it may do
	Expires *UTC     `json:"expires,omitempty"`
	Revoked bool     `json:"revoked,omitempty"`
	// Balances limits what it may do to some balances; absent: all.
	Balances []string `json:"balances,omitempty"`
}

// APIKeyChanged says that a key was made or revoked.
type APIKeyChanged struct {
	Head
	Change string `json:"change"` // made, revoked
	Key    APIKey `json:"key"`
	Reason string `json:"reason,omitempty"`
	By     Actor  `json:"by"`
	Stamp  Stamp  `json:"stamp"`
}

func (a *APIKeyChanged) Kind() Kind      { return KindAPIKeyChanged }
func (a *APIKeyChanged) Subject() string { return "" }
func (a *APIKeyChanged) Time() time.Time { return a.Stamp.UTC.Time() }

// AccountsReviewed says that somebody looked over the accounts and rights as they were at a sequence.
type AccountsReviewed struct {
	Head
	At       uint64   `json:"at"` // sequence up to which what was seen counts
	People   int      `json:"people"`
	Keys     int      `json:"keys"`
	Findings string   `json:"findings"`
	Changes  []string `json:"changes,omitempty"` // ids of accounts that the reviewer asks to have changed
	Due      *UTC     `json:"due,omitempty"`     // the next
	By       Actor    `json:"by"`
	Stamp    Stamp    `json:"stamp"`
}

func (a *AccountsReviewed) Kind() Kind      { return KindAccountsReviewed }
func (a *AccountsReviewed) Subject() string { return "" }
func (a *AccountsReviewed) Time() time.Time { return a.Stamp.UTC.Time() }
