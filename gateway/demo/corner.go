package demo

import (
	"context"
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"time"

	"golang.org/x/sync/errgroup"

	"weighpost/gateway/console"
	"weighpost/gateway/metrology"
	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// The check corner has two more balances, and a reference weight that was invented for the demo and says so. What is shown of them was
// checked by the daemon while the demo ran: no history is made up, and no time. Whoever opens the page can check them too; the simulated
// weight lies on the pan by itself a moment after the page asks for it.
const (
	cornerDue    = "c-01" // its daily check is due
	cornerFailed = "c-02" // it failed one, so that it is out of service, and what it weighed before is in doubt
	cornerWeight = "demo-100"
	// cornerChecks are as many as a chart needs for its first control limits.
	cornerChecks = 8
	// cornerOff is by how much the balance that fails is off, in units of its last decimal: 3.1 mg, and 1 mg is allowed.
	cornerOff = 31
	// handTime is how long a simulated person takes to place a weight for somebody at the page.
	handTime = 2 * time.Second
)

const cornerConfiguration = `checks:
  # Invented for the demo, as the reference weight is.
  - {name: morning, measures: accuracy, questions: ["Does the balance stand level?"], loads: [100 g], tolerance: {mass: 1 mg}}
  - {name: quick, measures: accuracy, loads: [100 g], tolerance: {mass: 1 mg}}
fitness:
  balances:
    - {balance: ` + cornerDue + `, schedule: [{check: morning, every: day}]}
    - {balance: ` + cornerFailed + `, schedule: [{check: morning, every: day}]}
`

// demoActor is who acts in the demo's journal where nobody did.
var demoActor = record.Actor{ID: "demo", Name: "the demo, by itself", By: record.ActorSoftware}

// newCorner makes the balances of the check corner: as the first of the others, without its greeting.
func newCorner(seed uint64) ([]*balance, error) {
	list, err := newBalances(1, seed^1)
	if err != nil {
		return nil, err
	}
	first := list[0]
	first.banner, first.place, first.id = false, "check corner", cornerDue
	second := &balance{model: first.model, id: cornerFailed, layout: first.layout, dice: rand.New(rand.NewPCG(seed, 2))}
	return []*balance{first, second}, nil
}

// checkCorner registers the weight, has the corner's balances checked, and places weights for whoever checks them afterwards.
func (l *lab) checkCorner(ctx context.Context) error {
	now := time.Now()
	_, err := l.gateway.RegisterWeight(ctx, record.ReferenceWeight{ID: cornerWeight, Set: "invented for this demo", Nominal: "100 g", Class: "F1", Conventional: "100.00004 g",
		Uncertainty: "0.00015 g", CoverageFactor: "2", Certificate: &record.Certificate{Number: "invented for this demo", By: "nobody: there is no such certificate",
			Date: now.AddDate(0, -1, 0).Format(time.DateOnly), Due: now.AddDate(0, 11, 0).Format(time.DateOnly)}}, "", demoActor)
	if err != nil {
		return unlessOver(ctx, err)
	}
	group, ctx := errgroup.WithContext(ctx)
	for _, b := range l.corner {
		group.Go(func() error { return l.placeWeights(ctx, b) })
	}
	group.Go(func() error {
		for range cornerChecks {
			if err := l.checkOnce(ctx, l.corner[0], "quick"); err != nil {
				return err
			}
		}
		return nil
	})
	group.Go(func() error { return l.failCheck(ctx, l.corner[1]) })
	return group.Wait()
}

// unlessOver forgets an error that only says that the demo is over.
func unlessOver(ctx context.Context, err error) error {
	if err == nil || ctx.Err() != nil {
		return nil
	}
	return fmt.Errorf("the demo's check corner: %w", err)
}

// failCheck weighs a few lots, which everything must account for, and then has the balance checked.
func (l *lab) failCheck(ctx context.Context, b *balance) error {
	for range 3 {
		n := b.draw()
		if err := b.send(b.values(n, layout.Stable)); err != nil {
			return err
		}
		b.remember(n, ties{})
		if !pause(ctx, apart) {
			return nil
		}
	}
	l.eyesOn(b).awaitRecorded(ctx, 3)
	return l.checkOnce(ctx, b, "morning")
}

// checkOnce begins a check and waits for its end.
func (l *lab) checkOnce(ctx context.Context, b *balance, check string) error {
	if ctx.Err() != nil {
		return nil
	}
	v, err := l.gateway.BeginCheck(ctx, b.id, console.CheckOrder{Definition: check, Why: record.CheckAsked, Weights: []string{cornerWeight}}, demoActor)
	if err != nil {
		return unlessOver(ctx, err)
	}
	for {
		if now, runs := l.gateway.CheckOn(b.id); !runs || now.Check.ID != v.Check.ID || !pause(ctx, poll) {
			return nil
		}
	}
}

// placeWeights does what the check that runs on a balance asks for: at once where the demo began it, and as slowly as a person for somebody
// at the page, who answers its questions.
func (l *lab) placeWeights(ctx context.Context, b *balance) error {
	var seen console.CheckView
	for since := time.Now(); pause(ctx, poll); {
		v, runs := l.gateway.CheckOn(b.id)
		if !runs || v.Outcome != "" {
			seen = console.CheckView{}
			continue
		}
		own := v.By.ID == demoActor.ID
		if v.Check.ID != seen.Check.ID || v.Step != seen.Step || v.Waiting != seen.Waiting {
			seen, since = v, time.Now()
		}
		if !own && time.Since(since) < handTime {
			continue
		}
		var err error
		switch {
		case v.Waiting == "answer" && own:
			_, err = l.gateway.ActOnCheck(ctx, b.id, console.CheckAct{Answer: "yes"}, demoActor)
			err = unlessOver(ctx, err)
		case slices.Contains([]string{"zero", "place", "lift"}, v.Waiting):
			err = l.place(ctx, b, v)
			since = time.Now()
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// place prints what lies on the pan now, and waits until the check has seen it.
func (l *lab) place(ctx context.Context, b *balance, v console.CheckView) error {
	n := int64(0)
	if grams, err := metrology.ParseMass(string(v.Expected)); err == nil && grams.Sign() > 0 {
		exact, _ := new(big.Rat).Mul(grams, big.NewRat(10_000, 1)).Float64()
		n = int64(exact+0.5) + b.dice.Int64N(5) - 2
		if b.id == cornerFailed && !l.adjusted(b) {
			n += cornerOff
		}
	}
	if err := b.send(b.values(n, layout.Stable)); err != nil {
		return err
	}
	await(ctx, poll, func() bool {
		now, runs := l.gateway.CheckOn(b.id)
		return !runs || now.Step != v.Step || now.Waiting != v.Waiting
	})
	return nil
}

// adjusted says whether somebody noted that a balance was adjusted or repaired: then the simulated one is.
func (l *lab) adjusted(b *balance) bool {
	f, _ := l.gateway.FitnessOf(b.id)
	return slices.ContainsFunc(f.Upkeep, func(u *record.Upkeep) bool { return u.Act == record.Adjusted || u.Act == record.Repaired })
}
