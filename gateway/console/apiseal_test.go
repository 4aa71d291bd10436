package console

import (
	"context"
	"errors"
	"time"

	"weighpost/gateway/record"
)

// Seal stands for the journal that seals.
func (b *bench) Seal(_ context.Context, r record.SealRequest, by record.Actor) (record.SealPlan, error) {
	if r.Before.After(time.Date(2090, 1, 1, 0, 0, 0, 0, time.UTC)) {
		return record.SealPlan{}, errors.New("entries from before that cannot be sealed yet")
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.seals = append(b.seals, r)
	return record.SealPlan{First: 1, Last: 2000, Segments: 1, From: time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC), Why: "that is all",
		Copies: []string{"the folder /mnt/archive"}, Started: !r.DryRun}, nil
}
