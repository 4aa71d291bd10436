// Package all lists the kinds of sink that there are. It is the one place that knows them all; a new kind is one line here.
package all

import (
	"weighpost/gateway/record"
	"weighpost/parsers/strict"
	"weighpost/sinks"
	"weighpost/sinks/files"
	"weighpost/sinks/http"
	"weighpost/sinks/keystrokes"
	"weighpost/sinks/mail"
	"weighpost/sinks/mqtt"
	"weighpost/sinks/nats"
	"weighpost/sinks/postgres"
	"weighpost/sinks/print"
	"weighpost/sinks/serialout"
	"weighpost/sinks/sftp"
	"weighpost/sinks/smb"
	"weighpost/sinks/sparkplug"
	"weighpost/sinks/tcpout"
)

// Config is the part of a sink's configuration that its kind declares.
type Config interface {
	// Check adds every fault to r.
	Check(r *strict.Report)
	// Open makes the sink. It does not wait for the destination: one that is not there yet must not hold up the daemon.
	Open(id string, env sinks.Env) (sinks.Sink, error)
	// Destination tells where the sink delivers to: the kind, the address and what else makes it another destination. It is
	// the same for all ways to write the same thing, is shown to people, and holds no secret.
	Destination() string
}

// Single is a Config whose destination serves one sink only. Two sinks that give the same answer are refused.
type Single interface {
	// Single is what only one sink may have, in words, and what a second one can do instead; "" where
	// the configuration does not tell.
	Single() (what, instead string)
}

// Claiming is a Config that has several things of which each serves one sink only, as Single has one.
type Claiming interface {
	// Claims gives them; nothing where the configuration does not tell.
	Claims() []sinks.Claim
}

// Publishing is a Config whose sink may not take the journal's checkpoints. Those without it always do.
type Publishing interface {
	// Publishes says whether it takes them.
	Publishes() bool
}

// Limited is a Config that cannot carry every kind of entry.
type Limited interface {
	Carries(k record.Kind) bool
}

// Usually is a Config whose sink gets other kinds of entry than most where the file says nothing.
type Usually interface {
	// Usual are those kinds.
	Usual() []record.Kind
}

// Previewing is a Config that shows what its sink would send for one entry. It asks nobody and touches nothing.
type Previewing interface {
	// Preview gives that. An error says why the sink would refuse the entry.
	Preview(id string, env sinks.Env, e record.Entry) (sinks.Shown, error)
}

// PreviewingClosed is a Previewing Config that shows an entry in closed batches otherwise.
type PreviewingClosed interface {
	PreviewClosed(id string, env sinks.Env, e record.Entry) (sinks.Shown, error)
}

// Collecting is a Config whose sink may take closed batches: it is then a sinks.Collector.
type Collecting interface {
	// Collects says whether it takes them as it is set; why is what would have to be set for that.
	Collects() (yes bool, why string)
}

// Asked is a Config whose destination can be asked what it holds.
type Asked interface {
	// Witness makes what asks. It does not wait for the destination.
	Witness(id string, env sinks.Env) (sinks.Witness, error)
}

// Kind is one kind of sink.
type Kind struct {
	Name      string
	NewConfig func() Config // with what applies where a file says nothing
}

// Kinds are in the order in which they are listed for people.
var Kinds = []Kind{
	{"mqtt", func() Config { return mqtt.Default() }},
	{"files", func() Config { return files.Default() }},
	{"smb", func() Config { return smb.Default() }},
	{"sftp", func() Config { return sftp.Default() }},
	{"http", func() Config { return http.Default() }},
	{"sparkplug", func() Config { return sparkplug.Default() }},
	{"serial-out", func() Config { return serialout.Default() }},
	{"tcp-out", func() Config { return tcpout.Default() }},
	{"nats", func() Config { return nats.Default() }},
	{"postgres", func() Config { return postgres.Default() }},
	{"print", func() Config { return print.Default() }},
	{"mail", func() Config { return mail.Default() }},
	{"keystrokes", func() Config { return keystrokes.Default() }},
}
