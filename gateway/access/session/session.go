// Package session holds who is signed in: a table in memory, so that a restart ends every session. A session has a public id,
// which entries and lists name, and a secret, which goes into the cookie and of which only the hash is kept. It ends when it was
// not used for a while, at its absolute end, at a change of shift, when somebody asks, or when another person takes the bench;
// how long each is comes from the configuration and never from the person (OWASP ASVS 5.0, 7.3). Whatever ends is told to one
// function, so that every end can be an entry.
package session

import (
	"errors"
	"time"

	"weighpost/gateway/record"
)

// Cause is why a session ended, in the words of a signed-out entry.
type Cause string

// The causes.
const (
	Asked         Cause = "asked"          // the person signed out
	Idle          Cause = "idle"           // it was not used for as long as the configuration says
	Absolute      Cause = "absolute"       // it reached its end, used or not
	Everywhere    Cause = "everywhere"     // the person, or who looks after the accounts, ended all of theirs
	AnotherPerson Cause = "another-person" // somebody else signed in at the bench
	Shift         Cause = "shift"          // a shift ended
	Disabled      Cause = "disabled"       // the account was disabled, or expired
	SecretChanged Cause = "secret-changed" // the secret was changed or reset
	TooMany       Cause = "too-many"       // the person signed in again, and had as many sessions as are allowed
	Again         Cause = "again"          // the same person signed in anew at the bench
	Bench         Cause = "bench"          // what was held at the balance ended: its port was lost, or a badge signed nobody in
	Lost          Cause = "lost"           // the daemon started again; this table never says it
)

// Session is who is signed in.
type Session struct {
	ID      string       // public
	Person  string       // id of the account
	Actor   record.Actor // as entries name the person, as of sign-in
	Way     string       // how they were identified
	Balance string       // id of the balance whose bench it is, "" elsewhere
	Where   string
	Since   time.Time
	Active  time.Time // last used
	Until   time.Time // the end at the latest: absolute, or a shift's
	Must    bool      // nothing but choosing another secret is allowed
}

// Ended is a session that ended, why, and by whom where that was somebody else (nil: nobody else).
type Ended struct {
	Session
	Cause Cause
	By    *record.Actor
	At    time.Time
}

// ErrFull says that there are as many sessions as the configuration allows.
var ErrFull = errors.New("as many people are signed in as are allowed (people: session: all): one of them has to sign out first")
