// Package sinks says what a destination for entries is, and how it tells what went wrong. A sink delivers and classifies;
// it never retries, parks or cuts batches: package deliver alone does.
package sinks

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"weighpost/gateway/record"
)

// Sink is one configured destination.
type Sink interface {
	// Deliver hands over a batch in order and returns how many leading entries the destination has durably accepted.
	// It blocks until then, or until ctx ends. With n < len(entries), err says what stopped entries[n]: Refused, Busy,
	// Unusable, or any other error, which means try again. Deliver is called by one goroutine at a time.
	Deliver(ctx context.Context, entries []record.Entry) (n int, err error)
	// Close lets go of connections and files. No Deliver follows it.
	Close() error
}

// Refused says that the destination will never accept entries[n]: it is parked until a person decides.
type Refused struct{ Err error }

func (r Refused) Error() string { return "refused: " + r.Err.Error() }
func (r Refused) Unwrap() error { return r.Err }

// Busy says that the destination asks not to be tried before After has passed.
type Busy struct {
	Err   error
	After time.Duration
}

func (b Busy) Error() string { return fmt.Sprintf("not before %s: %s", b.After, b.Err) }
func (b Busy) Unwrap() error { return b.Err }

// Unusable says that the fault lies with the sink and not with the entry: wrong credentials, a missing target. The sink is
// stopped as a health condition; no entry is parked for it.
type Unusable struct{ Err error }

func (u Unusable) Error() string { return "the sink cannot be used: " + u.Err.Error() }
func (u Unusable) Unwrap() error { return u.Err }

// Checkpointer is a sink that also publishes the journal's signed checkpoints, so that a copy is held elsewhere.
type Checkpointer interface {
	// Checkpoint hands over one signed note (C2SP tlog-checkpoint). It is called only when the head moved.
	Checkpoint(ctx context.Context, signedNote []byte) error
}

// Liver is a sink that also carries the live, lossy stream. It never blocks: what it cannot take at once is dropped.
type Liver interface {
	Live(r record.Live)
}

// Statuser is a sink that also shows the daemon's state where people look for it, such as a retained topic.
type Statuser interface {
	// Status hands over the conditions that hold now, as one JSON document. It is called at the start and after changes. It
	// never blocks: only the latest document counts.
	Status(conditions []byte)
}

// What a State is of.
const (
	OfBalance = "balance"
	OfSink    = "sink"
)

// State is how one balance or one destination is now.
type State struct {
	Of, ID string
	Body   []byte // one JSON object: record.BalanceStatus or record.SinkStatus. Nobody changes it
}

// StateShower is a sink that also shows how each balance and each destination is, such as under retained topics of their own.
type StateShower interface {
	// States hands over how all of them are. It is called at the start and after changes, at most once a second. What is missing in the list is
	// not configured any more, and what was shown of it is to be taken back. It never blocks: only the latest list counts. It may be called
	// after Close, and does nothing then.
	States(all []State)
}

// Farther is a sink with a far side that other sinks may share: when it is away, that is one trouble and not one for each.
type Farther interface {
	// Far is the host and the port of the far side, "broker.example:8883"; "" where it is not known.
	Far() string
}

// Contexts lets a sink over which others can ask for something have it carried out: what the next weighings of a balance
// are tied to. The errors are record.ErrNoBalance, a *record.ContextRefused, which changed nothing, or any other, after
// which it is not known whether the change is recorded. The methods may be called from any goroutine.
type Contexts interface {
	// SetContext changes what is held, and returns it once the entry that says so is durable.
	SetContext(ctx context.Context, balance string, r record.ContextRequest) (record.ContextView, error)
	// ContextOf gives what is held.
	ContextOf(balance string) (record.ContextView, error)
}

// Reader lets a sink over which others can ask for a weight have the balance asked. The methods may be called from any goroutine.
type Reader interface {
	// Read returns once the balance has answered and, where the answer is to be recorded, it is in the journal. The error is
	// record.ErrNoBalance, a *record.ContextRefused where the balance was not asked for now, a *record.AskRefused, a *record.NoAnswer, one
	// that is record.ErrUnrecorded, or that of ctx.
	Read(ctx context.Context, balance string, r record.ReadRequest) (record.ReadAnswer, error)
	// Refused has it noted that a weighing was not recorded for somebody who asked for it: what was asked for, over which sink
	// and under which topic or the like, and why not. It never waits.
	Refused(what, sink, where, why string)
}

// LabRequests lets a sink over which lab systems can ask for runs of procedures have that carried out. It may be called from any goroutine.
type LabRequests interface {
	// SendRequest returns once what was sent is in the journal, or was there before. The error is record.ErrNoRequest, a *record.NotDone, which
	// changed nothing, or any other, after which it is not known whether it is recorded: sent again, nothing comes of it twice.
	SendRequest(ctx context.Context, s record.RequestSent, by record.Actor) (record.RequestStands, error)
}

// Env is what every sink gets from the daemon, whatever its kind.
type Env struct {
	Site string       // name of the site, as configured: matches record.CheckName
	Log  *slog.Logger // nil: nothing is logged
	// Contexts carries out what others ask for over a sink; nil where nobody does.
	Contexts Contexts
	// Reader asks balances for their weight; nil where nobody does.
	Reader Reader
	// Requests takes requests for runs; nil where nobody does.
	Requests LabRequests
	// Folder is where a sink may keep small files of its own, each with its id in its name; "" where there is none. What it keeps there
	// is not backed up: it must be able to do without.
	Folder string
	// Reports gives the file of a report that was issued, by its SHA-256 in hexadecimal; nil where there are none. See ReportOf. It may be
	// called from any goroutine.
	Reports func(sum string) ([]byte, error)
	// Ports lends serial ports; nil where there are none to lend.
	Ports Ports
	// Alarms takes why a sink cannot tell people what is wrong, and nil once it can again; nil where nobody listens. It may be called from
	// any goroutine, and never waits.
	Alarms func(err error)
}

// Logger gives the log of one sink, or one that drops everything.
func (e Env) Logger(sink string) *slog.Logger {
	if e.Log == nil {
		return slog.New(slog.DiscardHandler)
	}
	return e.Log.With("sink", sink)
}
