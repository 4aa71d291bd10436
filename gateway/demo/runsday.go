package demo

import (
	"context"
	"fmt"
	"net/http"
	"time"

	"weighpost/gateway/record"
	"weighpost/parsers/layout"
)

// place is somebody before a balance, with a run.
type place struct {
	who     *somebody
	balance *balance
	run     seenRun
	sample  string // what lies on the pan
	last    int64  // what was printed last
}

// seenRun is of a run what somebody before a balance sees.
type seenRun struct {
	ID, State, Verdict string
	Next               struct{ Step, Waiting, Say string }
	Steps              []struct{ Step, Became, Why string }
}

// begin begins the run of a request at a balance.
func (d *day) begin(ctx context.Context, who *somebody, b *balance, request string) (*place, error) {
	p := &place{who: who, balance: b}
	return p, p.see(ctx, http.MethodPost, "runs", map[string]any{"balance": b.id, "request": map[string]any{"from": labSystemID, "id": request}})
}

// see asks for something that is answered with the run, and looks at it.
func (p *place) see(ctx context.Context, method, path string, body any) error {
	var run seenRun
	err := p.who.ask(ctx, method, path, body, &run)
	if err == nil {
		p.run = run
	}
	return err
}

// act does something to the run.
func (p *place) act(ctx context.Context, deed string, is any) error {
	if !pause(ctx, glimpse) {
		return ctx.Err()
	}
	return p.see(ctx, http.MethodPost, "runs/"+p.run.ID+"/act", map[string]any{deed: is})
}

// glimpse is how long a simulated person looks at what is to be done next: much shorter than anybody.
const glimpse = 60 * time.Millisecond

// scan scans something that belongs here.
func (p *place) scan(ctx context.Context, code string) error {
	if err := p.act(ctx, "scan", code); err != nil {
		return err
	}
	return p.became(record.StepTaken)
}

// scanWrong scans something that does not, and has it stopped.
func (p *place) scanWrong(ctx context.Context, code string) error {
	if err := p.act(ctx, "scan", code); err != nil {
		return err
	}
	return p.became(record.StepStopped)
}

// became says whether the last attempt became what it was meant to.
func (p *place) became(what string) error {
	for i := len(p.run.Steps) - 1; i >= 0; i-- {
		if s := p.run.Steps[i]; s.Became == record.StepTaken || s.Became == record.StepStopped {
			if s.Became == what {
				return nil
			}
			return fmt.Errorf("%w: step %s of %s was %s: %s", errUnheard, s.Step, p.run.ID, s.Became, s.Why)
		}
	}
	return fmt.Errorf("%w: %s has no step yet", errUnheard, p.run.ID)
}

// weigh presses the print key of the balance, and waits until it is seen what the run makes of the weighing. n is in units of the last
// decimal.
func (p *place) weigh(ctx context.Context, n int64) error {
	if p.run.Next.Waiting != "weight" {
		return fmt.Errorf("%w: %s waits for %s at %s: %s", errUnheard, p.run.ID, p.run.Next.Waiting, p.run.Next.Step, p.run.Next.Say)
	}
	if !pause(ctx, glimpse) {
		return ctx.Err()
	}
	if n == p.last {
		n++ // two that are alike within a second would be taken for one
	}
	p.last = n
	if err := p.balance.send(p.balance.values(n, layout.Stable)); err != nil {
		return err
	}
	p.balance.remember(n, ties{person: tie{p.who.id, record.BySignedIn}, sample: tie{p.sample, record.BySent}})
	before := len(p.run.Steps)
	return p.until(ctx, func() bool { return len(p.run.Steps) > before || p.run.State != record.RunOpen })
}

// until looks at the run until it is so.
func (p *place) until(ctx context.Context, so func() bool) error {
	for limit := time.Now().Add(patience); ; {
		if err := p.see(ctx, http.MethodGet, "runs/"+p.run.ID, nil); err != nil {
			return err
		}
		switch {
		case so():
			return nil
		case time.Now().After(limit):
			return fmt.Errorf("%w: %s still waits for %s at %s", errUnheard, p.run.ID, p.run.Next.Waiting, p.run.Next.Step)
		case !pause(ctx, 2*poll):
			return ctx.Err()
		}
	}
}

// complete waits for the end of the run.
func (p *place) complete(ctx context.Context) error {
	if err := p.until(ctx, func() bool {
		return p.run.State != record.RunOpen || p.run.Next.Waiting != "end" && p.run.Next.Waiting != "ended"
	}); err != nil {
		return err
	}
	if p.run.State != record.RunComplete {
		return fmt.Errorf("%w: %s is %s, and waits for %s at %s: %s", errUnheard, p.run.ID, p.run.State, p.run.Next.Waiting, p.run.Next.Step, p.run.Next.Say)
	}
	return nil
}

// grams is a mass in units of the last decimal of the bench's balances.
const grams = 10_000

// driesToday weighs the empty dishes and what is filled into them, and puts the run aside over the night.
func (d *day) driesToday(ctx context.Context) (run string, err error) {
	p, err := d.begin(ctx, d.sorrel, d.left, askDrying)
	if err != nil {
		return "", err
	}
	for i, lot := range dryingLots {
		p.sample = lot
		if err := p.scan(ctx, dishes[i]); err != nil {
			return "", err
		}
		if err := p.weigh(ctx, dishMass(i)); err != nil {
			return "", err
		}
	}
	for i, lot := range dryingLots {
		p.sample = lot
		for _, code := range []string{dishes[i], lot} {
			if err := p.scan(ctx, code); err != nil {
				return "", err
			}
		}
		if err := p.weigh(ctx, dishMass(i)+moistMass(i)); err != nil {
			return "", err
		}
	}
	if err := p.act(ctx, "answer", "105"); err != nil {
		return "", err
	}
	return p.run.ID, p.act(ctx, "aside", true)
}

// The dishes of the day and what is in them, in units of the last decimal.
func dishMass(i int) int64  { return 31*grams + int64(i)*1237 }
func moistMass(i int) int64 { return 5*grams + int64(i)*911 }
func dryMass(i int) int64   { return moistMass(i) * (94 - int64(i)) / 100 }

// weighsBack is the next day of the demo: another person takes the run over, at the other balance. A dish of the shelf gets mixed up with
// those of the run, and one comes twice: both are stopped.
func (d *day) weighsBack(ctx context.Context, run string) error {
	p := &place{who: d.yarrow, balance: d.right, run: seenRun{ID: run}}
	for _, deed := range []struct {
		name string
		is   any
	}{{"over", true}, {"at", d.right.id}} {
		if err := p.act(ctx, deed.name, deed.is); err != nil {
			return err
		}
	}
	if err := p.until(ctx, func() bool { return p.run.Next.Waiting != "time" }); err != nil {
		return err
	}
	if err := p.act(ctx, "done", true); err != nil { // cooled in the desiccator
		return err
	}
	for i, lot := range dryingLots {
		if i == 1 {
			for _, wrong := range []string{strangeDish, dishes[0]} {
				if err := p.scanWrong(ctx, wrong); err != nil {
					return err
				}
			}
		}
		p.sample = lot
		if err := p.scan(ctx, dishes[i]); err != nil {
			return err
		}
		if err := p.weigh(ctx, dishMass(i)+dryMass(i)); err != nil {
			return err
		}
	}
	return p.complete(ctx)
}

// countsSeeds weighs eight replicates of a hundred seeds.
func (d *day) countsSeeds(ctx context.Context) error {
	p, err := d.begin(ctx, d.sorrel, d.left, askSeeds)
	if err != nil {
		return err
	}
	d.counted = p.run.ID
	if err := p.scan(ctx, seedLot); err != nil {
		return err
	}
	p.sample = seedLot
	if err := p.act(ctx, "done", true); err != nil { // tared with the dish
		return err
	}
	for range 8 {
		if err := p.weigh(ctx, 4_350+p.balance.dice.Int64N(120)); err != nil {
			return err
		}
	}
	return p.complete(ctx)
}

// fillsPackets weighs packets of 25 g, one of which has too little in it, weighed again or not: the reviewer lets the run go on.
func (d *day) fillsPackets(ctx context.Context) error {
	p, err := d.begin(ctx, d.yarrow, d.right, askPackets)
	if err != nil {
		return err
	}
	for i, lot := range packetLots {
		if err := p.scan(ctx, lot); err != nil {
			return err
		}
		p.sample = lot
		if err := p.act(ctx, "done", true); err != nil { // zeroed
			return err
		}
		tare, net := 3*grams+p.balance.dice.Int64N(500), 25*grams+p.balance.dice.Int64N(500)
		if i == 1 {
			net -= grams
		}
		for _, load := range []int64{tare, tare + net} {
			if err := p.weigh(ctx, load); err != nil {
				return err
			}
		}
		if i == 1 {
			if err := d.lightPacket(ctx, p, tare+net); err != nil {
				return err
			}
		}
	}
	return p.complete(ctx)
}

// lightPacket weighs the packet that is out of its limits once more, and asks the reviewer, since it stays so.
func (d *day) lightPacket(ctx context.Context, p *place, load int64) error {
	if p.run.Next.Waiting != "allowed" {
		return fmt.Errorf("%w: a packet that is too light was not stopped, and %s waits for %s", errUnheard, p.run.ID, p.run.Next.Waiting)
	}
	if err := p.act(ctx, "repeat", "the packet may have leaned on the draught shield"); err != nil {
		return err
	}
	if err := p.weigh(ctx, load+3); err != nil {
		return err
	}
	reviewer := &place{who: d.fennel, run: p.run}
	if err := reviewer.act(ctx, "allow", "the packet is short, as weighed twice: it stays in the store, and does not go out (demo)"); err != nil {
		return err
	}
	return p.until(ctx, func() bool { return p.run.Next.Waiting != "allowed" })
}
