package runs

import "weighpost/gateway/record"

// slipsKnown are the weighings that were typed in from their slips.
type slipsKnown struct{}

func newSlips() slipsKnown { return slipsKnown{} }

// lateEntered takes an entry that a slip was typed in, and lateDecided one that a second person confirmed it or turned it down.
func (r *Room) lateEntered(*record.LateEntered) error { return nil }
func (r *Room) lateDecided(*record.LateDecided) error { return nil }

// late gives a slip that was typed in and confirmed, or says why it cannot be used. The view is locked.
func (r *Room) late(string) (*record.LateEntered, error) { return nil, record.ErrNoSlip }
