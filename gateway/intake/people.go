package intake

import (
	"context"
	"time"

	"weighpost/gateway/record"
)

// People knows whose badge it is that was scanned at a balance.
type People interface {
	// Badge signs the person in at the balance that a badge belongs to, and gives who that is, with name and role as they are now
	// and how they were identified. It may take a while: it is called from goroutines of its own, for the badges of a balance one after the
	// other. The error is a sentence that whoever stands there may read.
	Badge(ctx context.Context, b Badge) (record.ContextItem, error)
	// Lasting says at which balance's bench a session is ("": at none) and when it ends at the latest, as long as it lasts. Used says
	// that whoever has it did something here, and Left that they do not weigh here any more. They are called while the balance's own
	// lock is held: they never wait for anything, and never call an intake.
	Lasting(session string) (bench string, until time.Time, lasts bool)
	Used(session string)
	Left(l Left)
}

// Left is somebody who does not weigh at a balance any more.
type Left struct {
	Balance, Session string
	Cause            string // in the words of a signed-out entry: asked, another-person, bench
}

// Badge is a badge that was scanned.
type Badge struct {
	Code    string // as it was scanned, without the prefix where the rule strips it
	Balance string // id
	Where   string // the port of the scanner, or the address of the page
}
