package gateway

import (
	"cmp"
	"context"
	"encoding/json"
	"slices"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
	"weighpost/gateway/review"
	"weighpost/gateway/rights"
)

// RunReviews lists runs whose steps are done.
func (g *Gateway) RunReviews(q console.ReviewsAsked) console.ReviewList {
	cfg := g.now.Load().cfg.Review
	list := console.ReviewList{Runs: []console.ReviewGlance{}, Reasons: slices.Clone(cfg.Reasons), Together: cfg.Together}
	found, next := g.review.List(review.Filter{States: q.States, Procedure: q.Procedure, Sample: q.Sample, Balance: q.Balance, Flag: q.Flag, Acted: q.Since, After: q.After,
		Limit: q.Limit})
	for _, one := range found {
		list.Runs = append(list.Runs, g.reviewGlance(one))
	}
	list.Next = next
	return list
}

func (g *Gateway) reviewGlance(one review.Glance) console.ReviewGlance {
	v := console.ReviewGlance{RunRef: one.Run, Title: one.Run.Procedure.Name, State: one.State, Verdict: one.Verdict, Items: append([]record.RunItem{}, one.Items...), By: one.By,
		Balance: one.Balance, Request: one.Request, Begun: one.Begun, Last: one.Last, Flags: one.Flags, Other: one.Other}
	if def, err := g.runs.Definition(one.Run.Procedure.Name, one.Run.Procedure.Version); err == nil {
		v.Title = def.Title
	}
	if ended := one.Ended; !ended.Time().IsZero() {
		v.Ended = &ended
	}
	if acted := one.Acted; !acted.Time().IsZero() {
		v.Acted = &acted
	}
	for _, a := range one.Assessed {
		v.Assessed = append(v.Assessed, console.ReviewAssessed(a))
	}
	return v
}

// RunReview gives everything that is known of a run, for whoever asks.
func (g *Gateway) RunReview(ctx context.Context, run string) (v console.ReviewView, err error) {
	one, err := g.review.Of(ctx, run)
	if err != nil {
		return v, err
	}
	shown, err := g.Run(ctx, run)
	if err != nil {
		return v, err
	}
	cfg, who := g.now.Load().cfg.Review, rights.From(ctx)
	v = console.ReviewView{ReviewGlance: g.reviewGlance(one.Glance), Run: shown, First: []record.RunResult{}, Approvals: one.Policy.Approvals, SamePerson: one.Policy.SamePerson,
		Allowed: []console.ReviewAllowed{}, Excluded: append([]record.EntryRef{}, one.Excluded...), Corrections: append([]*record.RunCorrected{}, one.Corrected...),
		Acts: append([]*record.RunReview{}, one.Acts...), Signatures: []console.ReviewSigned{}, Weighings: one.Weighings, Weighed: []json.RawMessage{},
		Slips: append([]*record.LateEntered{}, one.Slips...), Balances: g.reviewBalances(one.Weighings), Trail: trailOf(one), Covers: []uint64{}, SeenUpTo: one.Looked[who.Actor.ID],
		Deliveries: g.reviewDeliveries(ctx, one), Reasons: slices.Clone(cfg.Reasons)}
	if one.EndedAs != nil {
		v.First = append(v.First, one.EndedAs.Results...)
	}
	for _, a := range one.Allowed(who.Actor, reviewsAble(who), cfg.SignSubmit) {
		v.Allowed = append(v.Allowed, console.ReviewAllowed(a))
	}
	for _, s := range one.Signed {
		v.Signatures = append(v.Signatures, console.ReviewSigned{Signature: s.Signature, InForce: s.Over == "", Over: s.Over})
	}
	for _, e := range one.Entries {
		if e.Kind.Numbered() {
			v.Weighed = append(v.Weighed, e.JSON)
		}
		v.Covers = append(v.Covers, e.Seq)
	}
	return v, nil
}

// trailOf is every entry about a run, in the order of the journal.
func trailOf(one review.Reviewed) []json.RawMessage {
	all := append(slices.Clone(one.Entries), one.Beside...)
	slices.SortFunc(all, func(a, b record.Entry) int {
		return cmp.Compare(a.Seq, b.Seq)
	})
	list := []json.RawMessage{}
	for _, e := range all {
		list = append(list, e.JSON)
	}
	return list
}

// reviewBalances says how the balances were that weighed for a run.
func (g *Gateway) reviewBalances(weighings []*record.Weighing) []console.ReviewBalance {
	list := []console.ReviewBalance{}
	last := map[string]uint64{}
	for _, w := range weighings {
		i := slices.IndexFunc(list, func(b console.ReviewBalance) bool { return b.ID == w.Balance.ID })
		if i < 0 {
			b := console.ReviewBalance{Balance: w.Balance, States: []string{}}
			if file, known := g.fitness.File(w.Balance.ID); known {
				for _, c := range file.Checks {
					if c.Seq < w.Seq {
						b.Before = c
					}
				}
			}
			list, i = append(list, b), len(list)
		}
		if !slices.Contains(list[i].States, w.Fitness.State) {
			list[i].States = append(list[i].States, w.Fitness.State)
		}
		last[w.Balance.ID] = w.Seq
	}
	for i := range list {
		if file, known := g.fitness.File(list[i].ID); known {
			if at := slices.IndexFunc(file.Checks, func(c *record.CheckEnded) bool { return c.Seq > last[list[i].ID] }); at >= 0 {
				list[i].After = file.Checks[at]
			}
		}
	}
	return list
}

// reviewDeliveries says what became of the end of a run, and of its corrections, at each destination. What cannot be told now is left out.
func (g *Gateway) reviewDeliveries(ctx context.Context, one review.Reviewed) []console.ReviewDelivery {
	list := []console.ReviewDelivery{}
	for _, e := range one.Entries {
		if e.Kind != record.KindRunEnded && e.Kind != record.KindRunCorrected {
			continue
		}
		all, err := g.DeliveriesOf(ctx, e.Seq)
		if err != nil {
			continue
		}
		for _, d := range all {
			list = append(list, console.ReviewDelivery{Entry: record.EntryRef{Seq: e.Seq, ID: e.ID}, Destination: d.Sink, State: d.State, Why: d.Why})
		}
	}
	return list
}
