package gateway

import (
	"context"
	"fmt"
	"sync"
	"time"

	"weighpost/gateway/record"
	"weighpost/gateway/runs"
)

// containerField is the field of a weighing's context that names the container of a run.
const containerField = "container"

// ties keep the contexts of balances as the runs want them that are there.
type ties struct {
	mu   sync.Mutex // held while a context is looked at and set
	last map[string]tied
	wake chan struct{}
}

// tied is what was said at a balance of the run there.
type tied struct {
	run, person string // person: who performs it, once they were set
	refused     string // why something could not be set; said once
}

func newTies() *ties { return &ties{last: map[string]tied{}, wake: make(chan struct{}, 1)} }

// look has the contexts of balances looked at.
func (t *ties) look() {
	select {
	case t.wake <- struct{}{}:
	default:
	}
}

// retie is how often it is looked whether a context is still as the run there wants it: a lost port and a sign-out end it.
const retie = 500 * time.Millisecond

// tieRuns keeps the context of every balance where a run is, until ctx ends.
func (g *Gateway) tieRuns(ctx context.Context) {
	tick := time.NewTicker(retie)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-g.ties.wake:
		case <-tick.C:
		}
		if !g.runs.Ready() {
			continue
		}
		for balance := range g.tiedBalances() {
			g.tie(ctx, balance, "")
		}
	}
}

// tieFirst ties a balance before anything is read of it: what lay in the line while weighpost was not running, or is printed as soon as it runs again, is
// of the run that is there, and none would be lost to it. It is not waited for without end: reading goes before.
func (g *Gateway) tieFirst(ctx context.Context, balance string) {
	limit, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	if g.runs.Await(limit, time.Second); g.runs.Ready() {
		g.tie(limit, balance, "")
	}
}

// tiedBalances are those where a run is, and those where one was.
func (g *Gateway) tiedBalances() map[string]bool {
	all := map[string]bool{}
	for _, balance := range g.runs.Balances() {
		all[balance] = true
	}
	g.ties.mu.Lock()
	defer g.ties.mu.Unlock()
	for balance := range g.ties.last {
		all[balance] = true
	}
	return all
}

// tie has what a balance weighs next carry what the run there wants, and no run where there is none. acts is who has just acted on the run, "" for
// nobody: a person who performs it and whose name had ended at the balance is there again.
func (g *Gateway) tie(ctx context.Context, balance, acts string) {
	g.ties.mu.Lock()
	defer g.ties.mu.Unlock()
	s, open := g.runs.Open(g.runs.At(balance))
	last, was := g.ties.last[balance]
	if !open && !was {
		return
	}
	held, err := g.ContextOf(balance)
	if err != nil {
		if !open {
			delete(g.ties.last, balance)
		}
		return
	}
	r := record.ContextRequest{By: record.BySent, Where: record.FromRun, Sure: true, At: time.Now()}
	if open {
		r.Actor = &s.By
		if last.run != s.Begun.Run.ID || last.person != s.By.ID || acts == s.By.ID {
			last = tied{run: s.Begun.Run.ID, refused: last.refused}
		}
	}
	wanted(&r, s, held, last.person == "")
	err = g.setTied(ctx, balance, &r)
	if err == nil {
		last.person, last.refused = s.By.ID, ""
	} else if why := err.Error(); why != last.refused && ctx.Err() == nil {
		last.refused = why
		g.log.Warn("what a balance weighs next cannot carry what the run there wants", "balance", balance, "run", last.run, "err", err)
	}
	g.ties.last[balance] = last
	if !open && err == nil {
		delete(g.ties.last, balance)
	}
}

// setTied sets what is wanted. Where the lab's policy refuses the sample, run and method are set without it.
func (g *Gateway) setTied(ctx context.Context, balance string, r *record.ContextRequest) error {
	if !r.Names() {
		return nil
	}
	_, err := g.SetContext(ctx, balance, *r)
	if err != nil && ctx.Err() == nil && r.Sample != nil && r.Sample.ID != "" && (r.Run != nil || r.Method != nil) {
		less := *r
		less.Sample, less.Lot = &record.ContextItem{}, nil
		if _, other := g.SetContext(ctx, balance, less); other != nil {
			err = other
		}
	}
	return err
}

// wanted names in a request what of a context is not as a run wants it. person says that whoever performs it is to be named where nobody is.
func wanted(r *record.ContextRequest, s runs.Standing, held record.ContextView, person bool) {
	have := map[string]record.ContextHeld{}
	for _, item := range held.Items {
		have[item.Name] = item
	}
	is := func(name, id string) *record.ContextItem {
		switch now := have[name]; {
		case id == now.ID, id == "" && now.From != record.FromRun && name != record.ItemSample:
			return nil
		case id == "":
			return &record.ContextItem{}
		}
		return &record.ContextItem{ID: id, Uses: -1}
	}
	if s.Begun == nil { // the run has left
		for name, item := range have {
			if item.From != record.FromRun {
				continue
			}
			if place := r.Item(name); place != nil {
				*place = &record.ContextItem{}
			} else {
				field(r, name, &record.ContextItem{})
			}
		}
		return
	}
	item := record.RunItem{}
	if s.Next.Item != nil {
		item = *s.Next.Item
	}
	ref := s.Begun.Run.Procedure
	r.Run, r.Method = is(record.ItemRun, s.Begun.Run.ID), is(record.ItemMethod, fmt.Sprintf("%s v%d", ref.Name, ref.Version))
	r.Sample, r.Lot = is(record.ItemSample, item.Sample), is(record.ItemLot, item.Lot)
	if c := is(containerField, item.Container); c != nil {
		field(r, containerField, c)
	}
	if there := have[record.ItemPerson]; person && there.ID == "" || there.From == record.FromRun && there.ID != s.By.ID {
		r.Person = performer(s.By)
	}
}

func field(r *record.ContextRequest, name string, item *record.ContextItem) {
	if r.Fields == nil {
		r.Fields = map[string]*record.ContextItem{}
	}
	r.Fields[name] = item
}

// performer is who performs a run, as a balance takes them; nil for a program, which weighs nothing with its hands.
func performer(by record.Actor) *record.ContextItem {
	switch by.By {
	case record.ActorAPIKey, record.ActorSoftware, record.ActorSchedule, record.ActorUnknown:
		return nil
	case record.ActorToken, record.ActorHost:
		return &record.ContextItem{ID: by.ID, Name: by.Name, Uses: -1}
	}
	return &record.ContextItem{ID: by.ID, Name: by.Name, Role: by.Role, How: by.By, Uses: -1}
}
