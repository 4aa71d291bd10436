package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"weighpost/gateway/console"
	"weighpost/gateway/deliver"
	"weighpost/gateway/index"
	"weighpost/gateway/journal"
	"weighpost/gateway/record"
)

// sinkOf gives a sink that is configured, by its id.
func (g *Gateway) sinkOf(id string) (*sink, error) {
	for _, s := range g.now.Load().sinks {
		if s.cfg.Delivery.ID == id {
			return s, nil
		}
	}
	return nil, console.ErrNoSink
}

// Parked lists what is set aside for a sink.
func (g *Gateway) Parked(ctx context.Context, id string, after uint64, limit int) ([]console.ParkedEntry, error) {
	all, err := g.parkedWhere(id)
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(p journal.Parked) bool { return p.Entry <= after })
	list := make([]console.ParkedEntry, 0, min(limit, len(all)))
	for _, p := range all[:min(limit, len(all))] {
		one, err := g.parkedEntry(ctx, p)
		if err != nil {
			return nil, err
		}
		list = append(list, one)
	}
	return list, nil
}

// entryAt reads one entry by its place.
func (g *Gateway) entryAt(ctx context.Context, seq uint64) (record.Entry, error) {
	entries, err := g.journal.Read(ctx, seq-1, 1)
	if err == nil && len(entries) != 1 {
		err = fmt.Errorf("entry %d is not in the journal", seq)
	}
	if err != nil {
		return record.Entry{}, err
	}
	return entries[0], nil
}

func (g *Gateway) parkedEntry(ctx context.Context, p journal.Parked) (console.ParkedEntry, error) {
	e, err := g.entryAt(ctx, p.Entry)
	if err != nil {
		return console.ParkedEntry{}, err
	}
	why, asked, err := deliver.WhyParked(ctx, g.journal, p.Entry, p.Notice)
	if err != nil {
		return console.ParkedEntry{}, err
	}
	one := console.ParkedEntry{Seq: e.Seq, ID: e.ID, Kind: e.Kind, Balance: e.Balance, UTC: record.UTC(index.FactsOf(e).Time), What: inShort(e),
		Since: why.Stamp.UTC, Why: why.Why, Notice: why.Seq}
	if asked != nil {
		one.Retried, one.By = &asked.Stamp.UTC, asked.By.Shown()
	}
	return one, nil
}

// inShort is what a weighing or a result says.
func inShort(e record.Entry) string {
	if !e.Kind.Numbered() {
		return ""
	}
	var w struct {
		Value   record.Value `json:"value"`
		Context struct {
			Sample *struct {
				ID string `json:"id"`
			} `json:"sample"`
		} `json:"context"`
	}
	if json.Unmarshal(e.JSON, &w) != nil {
		return ""
	}
	said := w.Value.Shown()
	if w.Context.Sample != nil && w.Context.Sample.ID != "" {
		said += " of " + w.Context.Sample.ID
	}
	return said
}

// Retry has parked entries delivered again.
func (g *Gateway) Retry(ctx context.Context, who record.Actor, id string, entries []uint64, reason string) (console.DeliveryDone, error) {
	return g.decideParked(ctx, who, id, entries, reason, false)
}

// Drop ends that entries are parked, and has them never delivered.
func (g *Gateway) Drop(ctx context.Context, who record.Actor, id string, entries []uint64, reason string) (console.DeliveryDone, error) {
	return g.decideParked(ctx, who, id, entries, reason, true)
}

// parkedDecider carries out what somebody decides about parked entries of one sink.
type parkedDecider interface {
	Retry(ctx context.Context, seqs []uint64, body *record.ParkedActed) error
	Drop(ctx context.Context, seqs []uint64, body *record.ParkedActed) error
	left() uint64 // how many are parked now
}

// configured is a parkedDecider of a sink that is configured.
type configured struct{ *deliver.Runner }

func (r configured) left() uint64 { return r.Status().Parked }

// deciderOf finds who carries it out for a sink, also for one that is not configured any more and has something parked.
func (g *Gateway) deciderOf(id string) (parkedDecider, error) {
	s, err := g.sinkOf(id)
	if err == nil {
		return configured{s.runner}, nil
	}
	if list, _ := g.journal.Parked(id); len(list) > 0 {
		return gone{id, g.journal}, nil
	}
	return nil, err
}

// decideParked carries out what somebody decides, in acts of at most record.MostParked entries.
func (g *Gateway) decideParked(ctx context.Context, who record.Actor, id string, seqs []uint64, reason string, drop bool) (done console.DeliveryDone, err error) {
	by, err := g.deciderOf(id)
	if err != nil {
		return done, err
	}
	done.Sink = id
	defer func() { done.Left = by.left() }()
	chosen, err := g.chosen(id, seqs)
	if err != nil {
		return done, err
	}
	act := by.Retry
	if drop {
		act = by.Drop
	}
	for part := range slices.Chunk(chosen, record.MostParked) {
		body := &record.ParkedActed{Dropped: drop, Sink: id, Reason: reason, By: who, Stamp: g.stamp()}
		names := make([]uint64, 0, len(part))
		for _, p := range part {
			ref, err := g.parkedRef(ctx, p)
			if err != nil {
				return done, err
			}
			body.Entries, names = append(body.Entries, ref), append(names, p.Entry)
		}
		if err := act(ctx, names, body); err != nil {
			return done, refusedDecision(err)
		}
		done.Entries += len(part)
		done.Acts = append(done.Acts, body.ID)
	}
	return done, nil
}

// chosen finds the parked entries that somebody names: all, where that is nil.
func (g *Gateway) chosen(id string, seqs []uint64) ([]journal.Parked, error) {
	all, err := g.journal.Parked(id)
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, &record.RequestRefused{Why: "nothing is parked for sink " + id}
	}
	if seqs == nil {
		return all, nil
	}
	if len(seqs) > record.MostParked {
		return nil, &record.RequestRefused{Why: fmt.Sprintf("%d entries at once are too many: at most %d, or all", len(seqs), record.MostParked)}
	}
	parked := make(map[uint64]journal.Parked, len(all))
	for _, p := range all {
		parked[p.Entry] = p
	}
	list := make([]journal.Parked, 0, len(seqs))
	for _, seq := range seqs {
		p, there := parked[seq]
		if !there {
			return nil, &record.RequestRefused{Why: fmt.Sprintf("entry %d is not parked for sink %s, or no longer", seq, id)}
		}
		list = append(list, p)
	}
	return list, nil
}

func (g *Gateway) parkedRef(ctx context.Context, p journal.Parked) (record.ParkedRef, error) {
	e, err := g.entryAt(ctx, p.Entry)
	if err != nil {
		return record.ParkedRef{}, err
	}
	why, _, err := deliver.WhyParked(ctx, g.journal, p.Entry, p.Notice)
	return record.ParkedRef{Seq: e.Seq, ID: e.ID, Notice: why.Seq}, err
}

// refusedDecision makes a refusal of what cannot be as things are.
func refusedDecision(err error) error {
	var gone *journal.NotParked
	var way *deliver.OnItsWay
	if errors.As(err, &gone) || errors.As(err, &way) || errors.Is(err, deliver.ErrNotDelivering) ||
		errors.Is(err, deliver.ErrPaused) || errors.Is(err, deliver.ErrAlreadyPaused) || errors.Is(err, deliver.ErrNotPaused) {
		return &record.RequestRefused{Why: err.Error()}
	}
	return err
}

// TryNow has a sink try at once.
func (g *Gateway) TryNow(ctx context.Context, who record.Actor, id, reason string) (done console.DeliveryDone, err error) {
	s, err := g.sinkOf(id)
	if err != nil {
		return done, err
	}
	done.Sink, done.Left = id, s.runner.Status().Parked
	if s.runner.Status().Paused != nil {
		return done, refusedDecision(deliver.ErrPaused)
	}
	if !s.runner.Running() {
		return done, refusedDecision(deliver.ErrNotDelivering)
	}
	entries, err := g.journal.Append(ctx, &record.SinkTried{Sink: id, Reason: reason, By: who, Stamp: g.stamp()})
	if err != nil {
		return done, err
	}
	done.Acts = []string{entries[0].ID}
	return done, refusedDecision(s.runner.TryNow())
}

// moment gives a time for the page, or nil where there is none.
func moment(t time.Time) *record.UTC {
	if t.IsZero() {
		return nil
	}
	utc := record.UTC(t.UTC())
	return &utc
}
