package deliver

import (
	"context"
	"fmt"
	"time"

	"weighpost/parsers/strict"
)

// timeOf reads the key cursor where it is a time.
func timeOf(cursor string) (at time.Time, ok bool) {
	at, err := time.Parse(time.RFC3339, cursor)
	return at, err == nil
}

func (c *Config) checkCursor(r *strict.Report) {
	if c.Cursor == "" || c.Cursor == Keep || c.Cursor == Now || c.Cursor == Start {
		return
	}
	if at, ok := timeOf(c.Cursor); !ok || at.IsZero() {
		r.Fault(fmt.Sprintf("%.40q is no place to begin", c.Cursor), "keep, now, start, or a time such as 2026-11-01T00:00:00Z")
	}
}

// firstAt finds the place before the first entry that says that it happened at a time or later. It looks at all entries from the
// beginning: stamps mostly run forwards, but a clock may have been wrong, and nothing that belongs to the time may be left out. What
// else comes along then was recorded in between. Where the time is still to come it waits for such an entry.
func (r *Runner) firstAt(ctx context.Context, when time.Time) (place uint64, err error) {
	r.show(func(s *Status) {
		s.State, s.Why = Waiting, "it begins with what was recorded at "+when.UTC().Format(time.RFC3339)+" or later, which is being looked for"
	})
	defer r.show(func(s *Status) { s.State, s.Why = Working, "" })
	for {
		entries, err := r.log.Read(ctx, place, chunk)
		if err != nil {
			return 0, err
		}
		for _, e := range entries {
			if !happened(e.JSON).Before(when) {
				return e.Seq - 1, nil
			}
			place = e.Seq
		}
		if len(entries) > 0 || place < r.log.Head() {
			continue
		}
		if !r.deps.Stamp().UTC.Time().Before(when) {
			return place, nil
		}
		if err := r.log.Wait(ctx, place); err != nil {
			return 0, err
		}
	}
}
