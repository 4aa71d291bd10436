package demo

import (
	"context"
	"slices"
	"time"

	"weighpost/parsers/layout"
)

// helps puts loads on a balance of the seed testing bench for whoever performs a run there on the page, as slowly as a person, and prints them.
// The demo's own people put theirs there themselves.
func (d *day) helps(ctx context.Context, b *balance) error {
	look := d.lab.eyesOn(b)
	seen, steps := "", 0
	for since := time.Now(); pause(ctx, 5*poll); {
		v, runs := d.lab.gateway.RunAt(b.id)
		if !runs || v.Next.Waiting != "weight" || slices.Contains(demoPeople, v.By.ID) {
			seen = ""
			continue
		}
		if now := v.ID + v.Next.Step; now != seen || len(v.Steps) != steps {
			seen, steps, since = now, len(v.Steps), time.Now()
		}
		if time.Since(since) < handTime {
			continue
		}
		n, meant := b.loadFor(v.Next.Step), look.held()
		if err := b.send(b.values(n, layout.Stable)); err != nil {
			return err
		}
		b.remember(n, meant)
		since = time.Now()
	}
	return nil
}

// loadFor is a load that suits a step of the demo's procedures, in units of the last decimal.
func (b *balance) loadFor(step string) int64 {
	more := b.dice.Int64N(120)
	switch step {
	case "replicate":
		return 4_350 + more
	case "dish_mass":
		return 31*grams + more
	case "moist":
		return 36*grams + more
	case "dry":
		return 36*grams - 3_000 + more
	case "tare_mass":
		return 3*grams + more
	case "net":
		return 28*grams + more
	}
	return b.draw()
}
