package sinks

import "context"

// Witness asks a destination what it holds, so that a journal that was restored from a backup learns what had been delivered
// after the backup was made. The configuration of a sink that can be asked makes one (see all.Asked): it is no Sink, which
// would make itself known to the destination as the running daemon.
type Witness interface {
	// Held looks at the destination, within ctx, and tells what it found of entries after a sequence. It changes nothing there, and
	// takes all that it reads for hostile: nothing of it is verified. An error means that
	// nothing could be learnt.
	Held(ctx context.Context, after uint64) (Held, error)
	Close() error
}

// Held is what a destination holds.
type Held struct {
	// Checkpoints are signed notes that are there, the newest of each origin, 16 at the most.
	Checkpoints [][]byte
	// Entries are those after the sequence that was asked for, in no order, MostHeld at the most.
	Entries []HeldEntry
	// Partial says why not everything could be looked at; "" where it was.
	Partial string
}

// MostHeld bounds Held.Entries.
const MostHeld = 100_000

// HeldEntry is one entry as a destination names it.
type HeldEntry struct {
	ID  string
	Seq uint64
}
