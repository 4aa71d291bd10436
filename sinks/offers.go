package sinks

import (
	"context"
	"iter"

	"weighpost/gateway/record"
)

// Receipter is a sink whose destination gives something back for what it accepts, which is kept in the journal.
type Receipter interface {
	// Receipts gives what came back for the entries that the last Deliver accepted, and forgets it. It is called after each
	// Deliver, by the same goroutine, before the sink's place in the journal moves.
	Receipts() []record.Answered
}

// Collector is a sink that takes closed batches of any length: all of one hour or day, or so many entries, as one thing that is
// complete when it appears and is never added to.
type Collector interface {
	// Collect hands over one closed batch. Without an error the destination holds it durably, but for those left out, which the
	// destination can never hold and which are then parked. With an error nothing of it can be seen there, and the same batch
	// comes again, also after a restart. The errors are those of Deliver, but for Refused.
	Collect(ctx context.Context, b Batch) (left []LeftOut, err error)
}

// Batch is one closed batch.
type Batch struct {
	// Name is the same each time that the batch comes and no other batch of the sink has it: "2026-11-29", "2026-11-29T10" for an
	// hour in UTC, "000001-000500" for sequences. It is safe in file names.
	Name        string
	First, Last uint64 // sequences of its first and last entry
	// Entries gives the entries in order, and ends early with an error. It can be ranged over again.
	Entries iter.Seq2[record.Entry, error]
	// Alive, if not nil, says that the work gets on although no entry is asked for: the time for one step begins anew.
	Alive func()
}

// LeftOut is an entry of a batch that the destination can never hold.
type LeftOut struct {
	Entry record.Entry
	Err   error
}

// Claim is something that only one sink may have.
type Claim struct {
	What    string // in words
	Instead string // what a second sink can do
}

// Shown is what would be sent for one entry, exactly.
type Shown struct {
	To         string      // topic, name of the file, address, table
	Attributes []Attribute // what goes beside the body: headers, user properties
	Type       string      // media type of the body, "" where the destination is not told any
	Body       []byte
}

// Attribute goes beside a body: an HTTP header, a user property of MQTT 5.
type Attribute struct{ Name, Value string }
