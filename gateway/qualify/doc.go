// Package qualify tries out this very installation: its program, files, disk, clock, ports, destinations, roles, journal and backups. What it
// finds becomes a report (gateway/qualification). It owns how each test is done, and what counts as passed.
//
// It changes as little as can be. The lab's journal gets entries only by acts that are what they say: a backup that was made and verified,
// and a destination that was tried, each with a reason that names the qualification. Everything that has to be broken, killed or filled
// with throw-away accounts is a copy in a scratch folder, or a journal of its own there. Not a byte goes to a port unless a person
// said that its pins are bridged, or that the balance there may be asked.
package qualify

import (
	"context"
	"net/http"
	"time"

	"weighpost/gateway/access"
	"weighpost/gateway/config"
	"weighpost/gateway/qualification"
	"weighpost/gateway/record"
	"weighpost/gateway/setup"
)

// Daemon is the running daemon, as a program on its computer asks it with the host's token.
type Daemon interface {
	// Ask sends a request to a path of the page, and gives what came back, whatever its status. body is written as JSON; nil: none. An error
	// means that no answer came.
	Ask(ctx context.Context, method, path string, body any) (status int, header http.Header, answer []byte, err error)
}

// Service is weighpost as the system knows it.
type Service struct {
	Cannot    string // why this system has no such services; "": it has
	Installed bool
	Enabled   string // whether it begins with the system: yes, no, not known
	Running   bool
	State     string // in the system's words
	PID       int    // 0: not known
}

// Deps is what the tests need of the command.
type Deps struct {
	Config  *config.Config
	Program string // the program's own file
	Daemon  Daemon // nil: none runs
	// Backup makes a backup of the journal into a file, through the daemon where one runs, and records that it was made.
	Backup func(ctx context.Context, file string) error
	// Verified has it recorded that a backup was verified; why is "" where it was good.
	Verified func(ctx context.Context, file, why string) error
	Service  func(ctx context.Context) (Service, error)
	Person   setup.Person // asked only where a test cannot go on without
	Open     setup.Opener
	Hasher   access.Hasher // of the scratch daemon; nil: that of the process
	By       qualification.Person
	Actor    record.Actor
	Say      func(text string) // progress; may be nil
}

// Order is what is to be tried.
type Order struct {
	Only []string          // ids or groups; none: all
	Skip map[string]string // id or group → reason
	// What a person said of ports, by the id of the balance.
	Loop   []string // pins 2 and 3 are bridged there, and no balance is connected
	Weigh  []string // somebody weighs there, and types in what the display shows
	Poll   bool     // balances that are configured to be asked may be asked in Weigh
	Expect string   // SHA-256 that the program should have, in hexadecimal; "": it is only noted
	// Patience is how long a destination may take; 0: 75 s.
	Patience time.Duration
	Scratch  string // a folder for copies; "": the system's for temporary files
}
