package gateway

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
)

// heldLooked is how many weighings one answer about what is held back looks at: the memory and the time that it takes depend on it.
const heldLooked = 500

var weighedKinds = []record.Kind{record.KindWeighing, record.KindResult}

// unfitWords are in each weighing that a sink holds back only since its balance was out of service: the words of that state.
const unfitWords = "out service"

// whyHeld says why an entry is held back where that is not the destination's own doing.
func whyHeld(e record.Entry) string {
	if deliver.HeldAsUnfit(e) {
		return "balance out of service"
	}
	return ""
}

// Held lists what a sink holds back and nobody has released, the newest first.
func (g *Gateway) Held(ctx context.Context, id string, before uint64, limit int) (list console.HeldList, err error) {
	list.Held = []console.HeldEntry{}
	s, err := g.sinkOf(id)
	if err != nil {
		return list, err
	}
	looked := index.Filter{Kinds: weighedKinds, Before: before}
	if s.cfg.Delivery.Hold != deliver.Released {
		looked.Text = unfitWords
	}
	moves, err := g.everyEntry(ctx, index.Filter{Kinds: []record.Kind{record.KindSinkMoved}})
	if err != nil {
		return list, err
	}
	move, _ := lastMove(id, moves)
	looked.After = move.After
	page, err := g.lister().List(ctx, looked, index.Page{Down: true, Limit: heldLooked})
	if err != nil {
		return list, err
	}
	held := slices.DeleteFunc(slices.Clone(page.Entries), func(e record.Entry) bool { return !s.cfg.Delivery.Holds(e) })
	released, err := g.releasedAmong(ctx, held)
	if err != nil {
		return list, err
	}
	for _, e := range held {
		if released[e.Seq] > 0 {
			continue
		}
		if len(list.Held) == limit {
			list.Next = list.Held[limit-1].Seq
			return list, nil
		}
		list.Held = append(list.Held, console.HeldEntry{Seq: e.Seq, ID: e.ID, Kind: e.Kind, Balance: e.Balance, UTC: record.UTC(index.FactsOf(e).Time),
			What: inShort(e), Why: whyHeld(e)})
	}
	switch n := len(page.Entries); {
	case page.Next != "" && n == 0:
		return list, index.ErrBehind
	case page.Next != "":
		list.Next = page.Entries[n-1].Seq
	}
	return list, nil
}

// releasedAmong says which of some entries were released, and by which entry: its sequence.
func (g *Gateway) releasedAmong(ctx context.Context, entries []record.Entry) (map[uint64]uint64, error) {
	released := make(map[uint64]uint64, len(entries))
	seqs := make([]uint64, 0, len(entries))
	for _, e := range entries {
		seqs = append(seqs, e.Seq)
	}
	notices, err := g.journal.Released(ctx, seqs)
	for i, notice := range notices {
		released[seqs[i]] = notice
	}
	return released, err
}

// Release lets weighings and results go out that sinks hold back.
func (g *Gateway) Release(ctx context.Context, who record.Actor, seqs []uint64, ids []string, reason string) (done console.ReleaseDone, err error) {
	g.releasing.Lock() // so that nothing is released twice
	defer g.releasing.Unlock()
	done.Sinks = []string{}
	entries, err := g.namedEntries(ctx, seqs, ids)
	if err != nil {
		return done, err
	}
	body := &record.HeldReleased{Reason: reason, By: who, Stamp: g.stamp()}
	for _, e := range entries {
		holding := g.holding(e)
		if len(holding) == 0 {
			return done, &record.RequestRefused{Why: fmt.Sprintf("no sink holds entry %d (%s) back", e.Seq, e.ID)}
		}
		done.Sinks = append(done.Sinks, holding...)
		body.Entries = append(body.Entries, record.EntryRef{Seq: e.Seq, ID: e.ID})
	}
	released, err := g.releasedAmong(ctx, entries)
	if err != nil {
		return done, err
	}
	for _, e := range entries {
		if by := released[e.Seq]; by > 0 {
			return done, &record.RequestRefused{Why: fmt.Sprintf("entry %d (%s) is released already, by entry %d", e.Seq, e.ID, by)}
		}
	}
	if _, err := g.journal.Append(ctx, body); err != nil {
		return done, err
	}
	slices.Sort(done.Sinks)
	done.Entries, done.Sinks, done.Act = len(entries), slices.Compact(done.Sinks), body.ID
	return done, nil
}

// holding lists the sinks that hold an entry back.
func (g *Gateway) holding(e record.Entry) (ids []string) {
	for _, s := range g.now.Load().sinks {
		if s.cfg.Delivery.Holds(e) {
			ids = append(ids, s.cfg.Delivery.ID)
		}
	}
	return ids
}

// namedEntries finds the entries that somebody names, each once, in the order of the journal.
func (g *Gateway) namedEntries(ctx context.Context, seqs []uint64, ids []string) (list []record.Entry, err error) {
	if n := len(seqs) + len(ids); n == 0 || n > record.MostReleased {
		return nil, &record.RequestRefused{Why: fmt.Sprintf("1 to %d entries are released at once, not %d", record.MostReleased, n)}
	}
	for _, seq := range seqs {
		if seq == 0 || seq > g.journal.Head() {
			return nil, &record.RequestRefused{Why: fmt.Sprintf("the journal has no entry %d", seq)}
		}
		e, err := g.entryAt(ctx, seq)
		if err != nil {
			return nil, err
		}
		list = append(list, e)
	}
	for _, id := range ids {
		e, err := g.findEntry(ctx, id)
		if errors.Is(err, console.ErrNoEntry) {
			return nil, &record.RequestRefused{Why: "the journal has no entry " + id}
		}
		if err != nil {
			return nil, err
		}
		list = append(list, e)
	}
	slices.SortFunc(list, func(a, b record.Entry) int { return int(int64(a.Seq) - int64(b.Seq)) })
	return slices.CompactFunc(list, func(a, b record.Entry) bool { return a.Seq == b.Seq }), nil
}
