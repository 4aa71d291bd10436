package demo

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
)

// A day at the seed testing bench: two balances, three people and the seed bank's lab system. Procedures are written by one person and adopted
// by another; the lab system asks for results and gets them back; dishes dry over a night of nightTime, since nobody who looks at a demo waits
// for 16 hours. All of it are entries, made over the API as people and programs make them, and weighings of simulated balances.
const (
	benchLeft  = "s-01"
	benchRight = "s-02"

	// nightTime is how long the demo's dishes dry.
	nightTime = 3 * time.Second
	// invented is the reason of whatever the demo needs to be there.
	invented = "invented for this demo"
)

// demoPeople are the ids of the day's people.
var demoPeople = []string{"r-sorrel", "t-yarrow", "n-fennel"}

// day is the day, as its people know it.
type day struct {
	lab         *lab
	left, right *balance
	host        *somebody
	sorrel      *somebody // writes procedures, and weighs
	yarrow      *somebody // comes for the second shift, and weighs
	fennel      *somebody // reviews: adopts procedures, and may let a run go on
	system      *labQueue // the lab system's
	counted     string    // the run by which seeds were counted
	stopped     string    // why it did not come to its end; "" where it did, or where the demo was over before
	after       func()    // what follows it, if anything
}

// newBench makes the two balances of the seed testing bench.
func newBench(seed uint64) ([]*balance, error) {
	list, err := newBalances(1, seed^3)
	if err != nil {
		return nil, err
	}
	first := list[0]
	first.banner, first.place, first.id = false, "seed testing bench", benchLeft
	return []*balance{first, {model: first.model, id: benchRight, layout: first.layout, dice: rand.New(rand.NewPCG(seed, 4))}}, nil
}

// passes has the day pass.
func (d *day) passes(ctx context.Context) error {
	if d.after != nil {
		defer d.after()
	}
	for _, scene := range []func(context.Context) error{d.opens, d.adopt, d.morning, d.weigh, d.evening, d.review, d.reports} {
		err := scene(ctx)
		switch why := refused(err); {
		case err == nil:
		case ctx.Err() != nil:
			return nil // the demo is over
		case why != "", errors.Is(err, errUnheard): // whoever sits before the page can be in its way
			d.stopped = fmt.Sprintf("the day at the seed testing bench stopped: %v", err)
			fmt.Fprintln(d.lab.o.Say, d.stopped)
			return nil
		default:
			return fmt.Errorf("the demo's day: %w", err)
		}
	}
	fmt.Fprintf(d.lab.o.Say, "The day at the seed testing bench is over; the request %s waits for you: sign in, and begin it at %s on the page.\n", askLater, benchLeft)
	return nil
}

// opens has people and the lab system there, and the dishes in the register.
func (d *day) opens(ctx context.Context) (err error) {
	if d.host, err = d.lab.host(); err != nil {
		return err
	}
	for _, one := range []struct {
		who            **somebody
		id, name, role string
	}{{&d.sorrel, demoPeople[0], "R. Sorrel (demo)", "balance-keeper"}, {&d.yarrow, demoPeople[1], "T. Yarrow (demo)", "operator"},
		{&d.fennel, demoPeople[2], "N. Fennel (demo)", "reviewer"}} {
		if *one.who, err = d.lab.sits(ctx, d.host, one.id, one.name, one.role); err != nil {
			return err
		}
	}
	if d.system.key, err = d.lab.program(ctx, d.host, labSystemID, "the simulated lab system of the demo", "machine"); err != nil {
		return err
	}
	return d.register(ctx, dishes...)
}

// register puts dishes into the register of containers.
func (d *day) register(ctx context.Context, ids ...string) error {
	var list []map[string]any
	for _, id := range ids {
		list = append(list, map[string]any{"id": id, "fields": map[string]string{"note": invented}})
	}
	return d.sorrel.ask(ctx, http.MethodPost, "containers", map[string]any{"containers": list, "sort": "drying dish", "reason": invented}, nil)
}

// adopt has one person write the procedures, and another adopt them.
func (d *day) adopt(ctx context.Context) error {
	var ready struct {
		Procedures []struct{ Name, Text string }
	}
	if err := d.sorrel.ask(ctx, http.MethodGet, "ready-procedures", nil, &ready); err != nil {
		return err
	}
	for _, name := range []string{seedMass, dryingLoss, netMass} {
		text := ""
		for _, p := range ready.Procedures {
			if p.Name == name {
				text = p.Text
			}
		}
		text, err := demoVersion(name, text)
		if err != nil {
			return err
		}
		if err := d.sorrel.ask(ctx, http.MethodPost, "procedures", map[string]any{"text": text, "reason": "the ready one, for this demo"}, nil); err != nil {
			return err
		}
		if err := d.fennel.ask(ctx, http.MethodPost, "procedures/"+name+"/versions/1/decide", map[string]any{"change": "adopted",
			"reason": "held against the ready one; for this demo alone"}, nil); err != nil {
			return err
		}
	}
	return nil
}

// The procedures of the day.
const (
	seedMass   = "thousand-seed-mass"
	dryingLoss = "loss-on-drying"
	netMass    = "net-by-tare"
)

// demoVersion is a ready procedure as the demo's lab adopts it: it says that it is a demo's, and its dishes dry for a short night.
func demoVersion(name, text string) (string, error) {
	changes := []string{"\nsource: ", " (demo)\nsource: ", "\ncautions:\n", "\ncautions:\n- \"This is a demo: people, lots and balances are simulated, and a night has " + nightTime.String() + ".\"\n"}
	if name == dryingLoss {
		changes = append(changes, "for: 16h,", "for: "+nightTime.String()+",", "The samples dry.", "The samples dry through a night of the demo in place of 16 hours.")
	}
	for i := 0; i < len(changes); i += 2 {
		if strings.Count(text, changes[i]) != 1 {
			return "", fmt.Errorf("the ready procedure %s has no %q that the demo could change", name, changes[i])
		}
		text = strings.Replace(text, changes[i], changes[i+1], 1)
	}
	return text, nil
}

// weigh has both benches at work.
func (d *day) weigh(ctx context.Context) error {
	night := make(chan string, 1) // the run that is put aside over it
	group, ctx := errgroup.WithContext(ctx)
	group.Go(func() error {
		run, err := d.driesToday(ctx)
		if err != nil {
			return err
		}
		night <- run
		return d.countsSeeds(ctx)
	})
	group.Go(func() error {
		if err := d.fillsPackets(ctx); err != nil {
			return err
		}
		select {
		case run := <-night:
			return d.weighsBack(ctx, run)
		case <-ctx.Done():
			return ctx.Err()
		}
	})
	return group.Wait()
}

// errUnheard says that a run did not become what it was to become.
var errUnheard = errors.New("a run of the demo did not go on")
