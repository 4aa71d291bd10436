package charts

import (
	"slices"
	"time"

	"weighpost/gateway/record"
)

// broken is where phases begin anew: with the first check after a time.
type broken struct {
	at  time.Time
	act string
}

// before says whether a check comes after the break.
func (b broken) before(c *record.CheckEnded) bool {
	return c.Time().After(b.at)
}

// begin lists what begins a phase. Maintenance does not: cleaning a pan is not to make a drift start again at nothing.
var begin = []string{record.Adjusted, record.Moved, record.Repaired, record.Calibrated}

// breaksOf gives the breaks in their order. An entry on an adjustment is written once the check after it has ended, so that the phase begins
// with that check, where the entry names it; the check before it belongs to the phase that ends.
func breaksOf(checks []*record.CheckEnded, upkeep []*record.Upkeep) (all []broken) {
	times := map[string]time.Time{}
	for _, c := range checks {
		times[c.Check.ID] = c.Time()
	}
	for _, u := range upkeep {
		if !slices.Contains(begin, u.Act) {
			continue
		}
		b := broken{at: u.Time(), act: u.Act}
		found, left := times[u.AsFound], times[u.AsLeft]
		if !left.IsZero() && left.Before(b.at) && left.After(found) {
			b.at = left.Add(-1)
		}
		all = append(all, b)
	}
	slices.SortStableFunc(all, func(a, b broken) int { return a.at.Compare(b.at) })
	return all
}
