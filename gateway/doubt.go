package gateway

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"weighpost/gateway/console"
	"weighpost/gateway/fitness"
	"weighpost/gateway/index"
	"weighpost/gateway/record"
)

// doubtful is the filter of the weighings that a failed check throws doubt on.
func doubtful(balance string, f *fitness.Failure) index.Filter {
	return index.Filter{Kinds: weighedKinds, Balance: balance, After: f.After, Before: f.Before}
}

// failureOf finds a failed check of a balance.
func (g *Gateway) failureOf(balance, check string) (fitness.Failure, error) {
	if _, ok := g.fitness.File(balance); !ok {
		return fitness.Failure{}, record.ErrNoBalance
	}
	f, ok := g.fitness.Failure(balance, check)
	if !ok {
		return f, record.ErrNoCheck
	}
	return f, nil
}

// InDoubt gives weighings that a failed check throws doubt on, oldest first. The error may be record.ErrNoBalance, record.ErrNoCheck, or
// index.ErrBehind while the search index has not come far enough.
func (g *Gateway) InDoubt(ctx context.Context, balance, check string, after uint64, limit int) (d console.Doubtful, err error) {
	d.Weighings = []console.DoubtfulWeighing{}
	f, err := g.failureOf(balance, check)
	if err != nil {
		return d, err
	}
	if d.Unjudged, d.AtLeast, err = g.someUnjudged(ctx, balance, f); err != nil {
		return d, err
	}
	filter := doubtful(balance, &f)
	filter.After = max(filter.After, after)
	if filter.After+1 >= filter.Before {
		return d, nil
	}
	page, err := g.lister().List(ctx, filter, index.Page{Limit: min(max(limit, 1), index.MaxLimit)})
	if err == nil && page.Missing > 0 {
		err = page.Why
	}
	if err != nil {
		return d, err
	}
	for _, e := range page.Entries {
		w, err := doubtfulWeighing(e, f.Judged[e.Seq])
		if err != nil {
			return d, err
		}
		d.Weighings = append(d.Weighings, w)
	}
	switch n := len(page.Entries); {
	case page.Next != "" && n == 0:
		return d, index.ErrBehind
	case page.Next != "":
		d.Next = page.Entries[n-1].Seq
	}
	return d, nil
}

func doubtfulWeighing(e record.Entry, effect string) (d console.DoubtfulWeighing, err error) {
	var w record.Weighing
	if err := json.Unmarshal(e.JSON, &w); err != nil {
		return d, fmt.Errorf("entry %d cannot be read: %w", e.Seq, err)
	}
	d = console.DoubtfulWeighing{EntryRef: record.EntryRef{Seq: e.Seq, ID: e.ID}, Value: w.Value, UTC: w.Stamp.UTC, Effect: effect}
	if w.Context.Sample != nil {
		d.Sample = w.Context.Sample.ID
	}
	if w.Context.Person != nil {
		d.Person = w.Context.Person.ID
	}
	return d, nil
}

// eachInDoubt hands over all weighings that a failed check throws doubt on, in the order of the journal, until each says to stop with an
// error. One that cannot be read is an error too: nothing is taken for judged that nobody saw.
func (g *Gateway) eachInDoubt(ctx context.Context, balance string, f fitness.Failure, each func(record.Entry) error) error {
	for p := (index.Page{Limit: index.MaxLimit}); f.After+1 < f.Before; {
		page, err := g.lister().List(ctx, doubtful(balance, &f), p)
		if err == nil && page.Missing > 0 {
			err = fmt.Errorf("%d entries among what is in doubt cannot be read: %w", page.Missing, page.Why)
		}
		if err != nil {
			return err
		}
		for _, e := range page.Entries {
			if err := each(e); err != nil {
				return err
			}
		}
		if page.Next == "" {
			return nil
		}
		if len(page.Entries) == 0 {
			return index.ErrBehind
		}
		p.Cursor = page.Next
	}
	return nil
}

// mostCounted is how many of the oldest weighings in doubt are looked at to say for a list how many are not judged: each is read, and a list
// of a hundred thousand has to come as soon as one of ten.
const mostCounted = 2_000

var errEnough = errors.New("enough are counted")

// someUnjudged counts those of the oldest that nobody has judged; atLeast says that there are more than are counted.
func (g *Gateway) someUnjudged(ctx context.Context, balance string, f fitness.Failure) (n int, atLeast bool, err error) {
	looked := 0
	err = g.eachInDoubt(ctx, balance, f, func(e record.Entry) error {
		if looked++; looked > mostCounted {
			return errEnough
		}
		if f.Judged[e.Seq] == "" {
			n++
		}
		return nil
	})
	if errors.Is(err, errEnough) {
		return n, true, nil
	}
	return n, false, err
}

// unjudged counts the weighings in doubt that nobody has judged.
func (g *Gateway) unjudged(ctx context.Context, balance string, f fitness.Failure) (n int, err error) {
	err = g.eachInDoubt(ctx, balance, f, func(e record.Entry) error {
		if f.Judged[e.Seq] == "" {
			n++
		}
		return nil
	})
	return n, err
}

// JudgeAffected judges weighings that a failed check throws doubt on: those that are named, or, where none is, all that are not judged.
// Those become several entries where they are many; where one of them cannot be recorded, those before stand, and n counts them.
func (g *Gateway) JudgeAffected(ctx context.Context, j record.AffectedJudged) (n int, err error) {
	f, err := g.failureOf(j.Balance.ID, j.Check)
	if err != nil {
		return 0, err
	}
	if len(j.Weighings) > 0 {
		if err := g.areInDoubt(ctx, j.Balance.ID, f, j.Weighings); err != nil {
			return 0, err
		}
		return g.fitness.JudgeAffected(ctx, j, false)
	}
	some := func() error {
		if len(j.Weighings) == 0 {
			return nil
		}
		judged, err := g.fitness.JudgeAffected(ctx, j, true)
		if err == nil {
			n, j.Weighings = n+judged, nil
		}
		return err
	}
	err = g.eachInDoubt(ctx, j.Balance.ID, f, func(e record.Entry) error {
		if f.Judged[e.Seq] == "" {
			j.Weighings = append(j.Weighings, record.EntryRef{Seq: e.Seq, ID: e.ID})
		}
		if len(j.Weighings) == record.MostReleased {
			return some()
		}
		return nil
	})
	if err == nil {
		err = some()
	}
	if err == nil && n == 0 {
		err = &record.NotDone{Why: "every weighing that the check " + j.Check + " throws doubt on is judged already"}
	}
	return n, err
}

// areInDoubt refuses to judge what is no weighing of the balance, or not the one that its id says.
func (g *Gateway) areInDoubt(ctx context.Context, balance string, f fitness.Failure, refs []record.EntryRef) error {
	if len(refs) > record.MostReleased {
		return &record.NotDone{Why: fmt.Sprintf("%d weighings are judged at once: 1 to %d can be", len(refs), record.MostReleased)}
	}
	filter := doubtful(balance, &f)
	seen := map[uint64]bool{}
	for _, ref := range refs {
		why := ""
		if ref.Seq > f.After && ref.Seq < f.Before {
			e, err := g.entryAt(ctx, ref.Seq)
			if err != nil {
				return err
			}
			switch {
			case e.ID != ref.ID:
				why = fmt.Sprintf("entry %d is %s, and not %.120q", ref.Seq, e.ID, ref.ID)
			case !filter.Match(e):
				why = fmt.Sprintf("entry %d is no weighing of balance %s", ref.Seq, balance)
			}
		} else {
			why = fmt.Sprintf("the weighing %d is not among those that the check %s throws doubt on", ref.Seq, f.Check)
		}
		if why == "" && seen[ref.Seq] {
			why = fmt.Sprintf("the weighing %d is named twice", ref.Seq)
		}
		if why != "" {
			return &record.NotDone{Why: why}
		}
		seen[ref.Seq] = true
	}
	return nil
}

// CloseFailure closes a failed check, once everything that it throws doubt on has been judged.
func (g *Gateway) CloseFailure(ctx context.Context, balance, check, reason string, by record.Actor) error {
	if _, err := g.failureOf(balance, check); err != nil {
		return err
	}
	err := g.fitness.Close(ctx, balance, check, reason, by, func(ctx context.Context, f fitness.Failure) (int, error) { return g.unjudged(ctx, balance, f) })
	if err == nil {
		g.tellUnjudged(balance)
	}
	return err
}
