package rights

import (
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/record"
)

// SignIn is what somebody gives to sign in with a secret.
type SignIn struct {
	Login   string // as it was typed: an id or a login name, in any case and normalisation
	Secret  string // never kept, never logged
	Address string // the network address that it came from, without the port, for throttling and entries
	Where   string // page, API, the host's name: what Actor.Where will say
	Balance string // id of the balance whose bench screen it is, "" elsewhere
}

// Badge is what somebody gives to sign in with a badge.
type Badge struct {
	Code    string // as it was scanned
	PIN     string // "" where none was asked for; never kept, never logged
	Address string
	Where   string
	Balance string
}

// Session is a session as it is given out once, at sign-in.
type Session struct {
	ID         string // public: entries and lists name it
	Secret     string // goes into the cookie and nowhere else: only its hash is kept
	Who        Who
	Person     record.Person
	Until      time.Time // when it ends at the latest
	MustChange bool      // the secret was reset or has expired: nothing but choosing another is allowed
}

// SessionView is a session as it is listed. There is no secret in it.
type SessionView struct {
	ID      string    `json:"id" doc:"public id of the session"`
	Person  string    `json:"person" doc:"id of the account"`
	Name    string    `json:"name" doc:"the person's name"`
	By      string    `json:"by" doc:"how they were identified: password, directory, cached, openid, badge or badge-and-pin"`
	Balance string    `json:"balance,omitempty" doc:"where they signed in at a bench: the balance's id"`
	Where   string    `json:"where,omitempty" doc:"where they signed in from"`
	Since   time.Time `json:"since" doc:"when they signed in, UTC"`
	Active  time.Time `json:"active" doc:"when it was last used, UTC"`
	Until   time.Time `json:"until" doc:"when it ends at the latest, UTC"`
	Own     bool      `json:"own,omitempty" doc:"it is the session that this request came with"`
}

// NewPerson is what an account is added with.
type NewPerson struct {
	ID      string     `json:"id" doc:"never changes and is never given to anybody else: a to z, 0 to 9 and -, at most 63" maxLength:"63"`
	Name    string     `json:"name" doc:"printed name" maxLength:"120"`
	Roles   []string   `json:"roles" doc:"names of roles" maxItems:"32"`
	Login   string     `json:"login,omitempty" doc:"what they sign in with, where it is another than the id" maxLength:"120"`
	Expires *time.Time `json:"expires,omitempty" doc:"from then on the account cannot be used, UTC"`
	Secret  string     `json:"secret,omitempty" doc:"a first secret, which can only be used to choose another; absent: none yet" maxLength:"1024"`
	Reason  string     `json:"reason,omitempty" doc:"why" maxLength:"500"`
}

// PersonChange is what changes about an account: only what is given.
type PersonChange struct {
	// Seen is the sequence of the person as it was seen (PersonView.Seq). 0: whatever it is now.
	Seen     uint64     `json:"seen,omitempty" doc:"the sequence of the account as it was seen; refused where it changed since"`
	Name     *string    `json:"name,omitempty" doc:"printed name" maxLength:"120"`
	Roles    *[]string  `json:"roles,omitempty" doc:"names of roles" maxItems:"32"`
	Login    *string    `json:"login,omitempty" doc:"what they sign in with" maxLength:"120"`
	Expires  *time.Time `json:"expires,omitempty" doc:"from then on the account cannot be used, UTC; the year 1 for never"`
	Disabled *bool      `json:"disabled,omitempty" doc:"true: the account cannot be used and its sessions end"`
	Unlock   bool       `json:"unlock,omitempty" doc:"true: it is no longer locked after attempts that failed"`
	Reason   string     `json:"reason" doc:"why" minLength:"1" maxLength:"500"`
}

// PersonView is an account as it is shown.
type PersonView struct {
	record.Person
	Seq     uint64     `json:"seq" doc:"sequence of the entry that the account is as of: give it back as seen"`
	Rights  []Right    `json:"rights" doc:"what they may do now"`
	Unknown []string   `json:"unknown_roles,omitempty" doc:"roles that the configuration no longer names: they give nothing"`
	Since   time.Time  `json:"since" doc:"when the account was added, UTC"`
	Until   *time.Time `json:"secret_until,omitempty" doc:"when the secret expires, where policy says so, UTC"`
}

// NewKey is what a program's key is made with.
type NewKey struct {
	ID       string     `json:"id" doc:"of the key: a to z, 0 to 9 and -, at most 63" maxLength:"63"`
	Name     string     `json:"name" doc:"what it is for" maxLength:"120"`
	Roles    []string   `json:"roles" doc:"what it may do" minItems:"1" maxItems:"32"`
	Expires  *time.Time `json:"expires,omitempty" doc:"from then on it is refused, UTC; absent: as policy says"`
	Balances []string   `json:"balances,omitempty" doc:"ids of the balances that it is limited to; absent: all" maxItems:"1024"`
	Reason   string     `json:"reason,omitempty" doc:"why" maxLength:"500"`
}

// MadeKey is a key as it is shown once.
type MadeKey struct {
	record.APIKey
	Key string `json:"key" doc:"the key itself, wp_…: shown this once, and kept nowhere"`
}

// KeyView is a key as it is listed.
type KeyView struct {
	record.APIKey
	Seq    uint64    `json:"seq" doc:"sequence of the entry that the key is as of"`
	Made   time.Time `json:"made" doc:"when it was made, UTC"`
	By     string    `json:"made_by" doc:"who made it"`
	Rights []Right   `json:"rights" doc:"what it may do now"`
}

// RoleView is a role as it is configured now.
type RoleView struct {
	Name    string  `json:"name" doc:"name of the role"`
	Rights  []Right `json:"rights" doc:"what it allows"`
	Default bool    `json:"default" doc:"there without any configuration, and not changed by it"`
	People  int     `json:"people" doc:"how many people have it"`
}

// Holding says that somebody held a right over a span of time.
type Holding struct {
	Person string     `json:"person" doc:"id of the account, or of the key"`
	Name   string     `json:"name" doc:"their name then"`
	Key    bool       `json:"key,omitempty" doc:"it is a program's key"`
	Right  Right      `json:"right" doc:"what they might do"`
	Roles  []string   `json:"roles" doc:"the roles that gave it"`
	From   time.Time  `json:"from" doc:"since when, UTC"`
	To     *time.Time `json:"to,omitempty" doc:"until when, UTC; absent: they still do"`
}

// AccountReview is what is noted after looking over the accounts.
type AccountReview struct {
	At       uint64   `json:"at" doc:"sequence up to which what was seen counts (what the list of people said)"`
	Findings string   `json:"findings" doc:"what was found" minLength:"1" maxLength:"4000"`
	Changes  []string `json:"changes,omitempty" doc:"ids of accounts that should be changed" maxItems:"1024"`
}

// ErrWrong is all that whoever tries to sign in may know where they did not show who they are: it is the same for a name that
// nobody has, a wrong secret, a disabled account and one without a secret (OWASP, Authentication Cheat Sheet, error messages).
var ErrWrong = errors.New("name and secret, or badge and PIN, do not go together, or the account cannot be used: try again, or ask whoever looks after the accounts")

// ErrNoSession says that a cookie, a key or a session's id is not, or is no longer, good for anything.
var ErrNoSession = errors.New("nobody is signed in with this: sign in again")

// ErrNoPerson says that there is no such account.
var ErrNoPerson = errors.New("there is no account with this id: \"weighpost people list\" names those that there are")

// Throttled says that too many attempts failed and that the next one is not looked at before some time has passed.
type Throttled struct{ After time.Duration }

func (t *Throttled) Error() string {
	s := int64((t.After + time.Second - 1) / time.Second)
	return fmt.Sprintf("too many attempts to sign in failed: try again in %d s", max(s, 1))
}

// Refused says why something that is asked for cannot be, to somebody who has shown who they are. Why is a sentence.
type Refused struct{ Why string }

func (r *Refused) Error() string { return r.Why }

// Conflict says that what was seen is no longer how it is: somebody else changed it meanwhile.
type Conflict struct {
	What      string // such as "the account p-07"
	Seen, Now uint64 // sequences
}

func (c *Conflict) Error() string {
	return fmt.Sprintf("%s changed meanwhile (it was seen as of entry %d, and is as of entry %d): look at it again and repeat the change", c.What, c.Seen, c.Now)
}
