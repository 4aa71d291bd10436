package intake

import (
	"context"

	"weighpost/gateway/record"
)

// People knows whose badge it is that was scanned at a balance.
type People interface {
	// Badge signs the person in at the balance that a badge belongs to, and gives who that is, with name and role as they are now
	// and how they were identified. It may take a while: it is called from goroutines of its own, at once for badges that are scanned soon after
	// one another. The error is a sentence that whoever stands there may read.
	Badge(ctx context.Context, b Badge) (record.ContextItem, error)
}

// Badge is a badge that was scanned.
type Badge struct {
	Code    string // as it was scanned, without the prefix where the rule strips it
	Balance string // id
	Where   string // the port of the scanner, or the address of the page
}
