package gateway

import (
	"context"
	"encoding/json"
	"fmt"

	"weighpost/gateway/dropped"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
)

// keepDropped takes the files that a lab system drops.
func (g *Gateway) keepDropped(ctx context.Context) {
	dropped.New(dropped.Options{Gateway: g, Found: g.foundOf, Ready: g.takesDropped, Stamp: g.stamp, Board: g.board, Log: g.log,
		Config: func() dropped.Config { return g.now.Load().cfg.Requests }}).Run(ctx)
}

// takesDropped says whether requests of files are carried out: once all balances are read and it is known which samples were announced and
// which runs are asked for, and until the stop.
func (g *Gateway) takesDropped() bool {
	select {
	case <-g.stopping:
		return false
	default:
	}
	if !g.started.Load() {
		return false
	}
	for _, b := range g.now.Load().balances {
		if b.intake != nil && !b.intake.Begun() { // it would refuse, and what a file asks for is refused for good
			return false
		}
	}
	_, _, ready := g.samples.Sample("")
	return ready && g.runs.Ready() && lab{g}.Ready()
}

// AnnounceSamples takes samples that will be weighed: see samples.Room.
func (g *Gateway) AnnounceSamples(ctx context.Context, list []record.Sample, request string, by record.Actor) (record.SamplesTaken, error) {
	return g.samples.Announce(ctx, list, request, by)
}

// foundOf gives the entries of which an actor carries a mark with a key half, in their order.
func (g *Gateway) foundOf(ctx context.Context, key string) (list []dropped.Found, err error) {
	if err := g.Settled(ctx); err != nil {
		return nil, err
	}
	for p := (index.Page{Limit: 1000}); ; {
		page, err := g.lister().List(ctx, index.Filter{Text: key}, p)
		if err == nil && page.Missing > 0 {
			err = page.Why
		}
		if err != nil {
			return nil, err
		}
		for i := range page.Entries {
			f, err := foundIn(&page.Entries[i])
			if err != nil {
				return nil, err
			}
			if record.MarkKey(f.Mark) == key {
				list = append(list, f)
			}
		}
		if page.Next == "" {
			return list, nil
		}
		p.Cursor = page.Next
	}
}

func foundIn(e *record.Entry) (f dropped.Found, err error) {
	var said struct {
		Cause, Why, Change string
		Sample             json.RawMessage
		By                 json.RawMessage
	}
	if err := json.Unmarshal(e.JSON, &said); err != nil {
		return f, fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
	}
	f = dropped.Found{ID: e.ID, Cause: said.Cause, Why: said.Why, Change: said.Change}
	var by record.Actor
	if json.Unmarshal(said.By, &by) == nil { // the words of other kinds may mean something else
		f.Mark = by.Request
	}
	var sample struct{ ID string }
	if e.Kind == record.KindSampleAnnounced && json.Unmarshal(said.Sample, &sample) == nil {
		f.Sample = sample.ID
	}
	return f, nil
}
