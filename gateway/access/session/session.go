// Package session holds who is signed in: a table in memory, so that a restart ends every session. A session has a public id,
// which entries and lists name, and a secret, which goes into the cookie and of which only the hash is kept. It ends when it was
// not used for a while, at its absolute end, at a change of shift, when somebody asks, or when another person takes the bench;
// how long each is comes from the configuration and never from the person (OWASP ASVS 5.0, 7.3). Whatever ends is told to one
// function, so that every end can be an entry.
package session

import (
	"context"
	"errors"
	"fmt"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/rights"
	"weighpost/parsers/strict"
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
	Lost          Cause = "lost"           // the daemon started again; this table never says it
)

// Config is how long sessions last.
type Config struct {
	Idle          strict.Duration `yaml:"idle" desc:"A session that is not used for this long ends: 1m to 12h." default:"30m"`
	BenchIdle     strict.Duration `yaml:"bench_idle" desc:"The same at a bench screen: 30s to 12h." default:"15m"`
	Absolute      strict.Duration `yaml:"absolute" desc:"Every session ends after this long, used or not: 10m to 24h." default:"12h"`
	BalanceCounts bool            `yaml:"balance_counts" desc:"true: while a balance sends weights that change or are recorded, whoever is signed in at it counts as present." default:"false"`
	PerPerson     int             `yaml:"per_person" desc:"So many sessions of one person at most: 1 to 100. One more ends the one that was not used for longest." default:"10"`
	All           int             `yaml:"all" desc:"So many sessions altogether: 10 to 100000." default:"10000"`
}

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

// Options is what a table needs.
type Options struct {
	Config func() Config
	Shifts func() ([]TimeOfDay, *time.Location) // when shifts end, and by which clocks; nil: never
	Now    func() time.Time                     // nil: time.Now
	// Ended is told of each end, from the goroutine that ended it, without any lock of the table held.
	Ended func(Ended)
}

// Table holds the sessions.
type Table struct{}

// New makes an empty table.
func New(o Options) *Table { return nil }

// Run ends what is due, until ctx ends.
func (t *Table) Run(ctx context.Context) {}

// Start signs somebody in and gives the secret, the only time that it is seen. At a bench (s.Balance) whoever else is signed in
// there is signed out (another-person). ErrFull where there is no room. ID, Since, Active and Until are filled in.
func (t *Table) Start(s Session) (Session, string, error) { return s, "", fmt.Errorf("not built yet") }

// Find gives the session of a secret, and counts as use of it. rights.ErrNoSession where there is none.
func (t *Table) Find(secret string) (Session, error) { return Session{}, rights.ErrNoSession }

// Peek gives the session of a secret and does not count as use (a page that asks by itself).
func (t *Table) Peek(secret string) (Session, error) { return Session{}, rights.ErrNoSession }

// Renew gives a session another secret, at a change of what it may do: the one before is worth nothing from then on.
func (t *Table) Renew(id string, change func(*Session)) (Session, string, error) {
	return Session{}, "", rights.ErrNoSession
}

// Bench gives who is signed in at a balance.
func (t *Table) Bench(balance string) (Session, bool) { return Session{}, false }

// Present says that a balance is being used. It counts as use of the session there where the configuration says so.
func (t *Table) Present(balance string) {}

// List gives the sessions of a person, or of everybody (""), the latest first.
func (t *Table) List(person string) []Session { return nil }

// End ends one session. False: there is none.
func (t *Table) End(id string, c Cause, by *record.Actor) bool { return false }

// EndPerson ends all sessions of a person but one ("": all), and says how many.
func (t *Table) EndPerson(person, but string, c Cause, by *record.Actor) int { return 0 }

// EndAll ends every session, and says how many.
func (t *Table) EndAll(c Cause, by *record.Actor) int { return 0 }

// Reload reads the configuration anew: ends that it brings nearer count at once.
func (t *Table) Reload() {}
